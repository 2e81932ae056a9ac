"""A property in parts kilometres apart is worked on part by part."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import yaml
from shapely import LineString, MultiPolygon, Point, box

from flat_tile import BOTTOM, LEFT, tile
from lanewright.base.errors import InputError
from lanewright.land.parts import may_be_scattered, parts_of
from lanewright.land.plan import plan
from lanewright.settings.config import load
from run.runs import called

AWAY = (3000.0, 2000.0)
"""How far the second part lies from the first [m]: the box around both holds 100 times them."""


def square(east: float, north: float, side: float = 50.0):
    return box(LEFT + east, BOTTOM + north, LEFT + east + side, BOTTOM + north + side)


@pytest.fixture
def farm(tmp_path: Path) -> Path:
    """Two fields with a tile each, the second the larger, and a keep-out in the first alone."""
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    tile(tmp_path / "b.laz", LEFT + AWAY[0], BOTTOM + AWAY[1], side=60.0, seed=1)
    fields = [MultiPolygon([square(0, 0), square(*AWAY, 60.0)])]
    gpd.GeoDataFrame(geometry=fields, crs=26916).to_file(tmp_path / "land.gpkg")
    yard = [Point(LEFT + 25, BOTTOM + 25).buffer(5)]
    gpd.GeoDataFrame(geometry=yard, crs=26916).to_file(tmp_path / "yard.gpkg")
    return configuration(tmp_path)


def configuration(folder: Path, **more) -> Path:
    path = folder / "run.yaml"
    settings = {"name": "Farm", "points": ["*.laz"], "property": "land.gpkg", "out": "out",
                "keep_out": ["yard.gpkg"]}  # fmt: skip
    path.write_text(yaml.safe_dump(settings | more))
    return path


def test_near_parts_stay_together_and_far_ones_part():
    """Side by side, across a road, and a third of each kind far off: two groups of two."""
    near = [square(0, 0), square(70, 0)]
    far = [square(9000, 0), square(9000, 300, 80)]
    groups = parts_of(MultiPolygon([far[0], near[0], far[1], near[1]]), 40.0)
    assert [sorted(g.geoms, key=lambda p: p.bounds) for g in groups] == [far, near]
    assert len(parts_of(MultiPolygon(near), 40.0)) == 1
    # Large fields fill the box around them.
    wide = MultiPolygon([square(0, 0, 1000), square(2000, 0, 1000)])
    assert len(parts_of(wide, 40.0)) == 1


@pytest.mark.parametrize("crs", [26916, 4326])
def test_corners_past_every_number_are_asked_without_a_warning(crs):
    """A warning printed before the refusal that follows would be a second message."""
    assert may_be_scattered(gpd.GeoDataFrame(geometry=[box(0, 0, 1e308, 1e308)], crs=crs))
    assert not may_be_scattered(gpd.GeoDataFrame(geometry=[square(0, 0)], crs=26916))


def test_each_part_has_a_grid_of_its_own(farm):
    sizes = []
    for number in (1, 2):
        found = plan(load(configuration(farm.parent, part=number)))
        sizes.append(found.grid.rows * found.grid.cell)
        assert len(found.tiles) == 1
        assert found.land.area == pytest.approx((60.0, 50.0)[number - 1] ** 2)
    assert sizes == [140.0, 130.0]  # a part and 40 m on either side


def test_what_works_on_the_whole_refuses_and_names_part(farm):
    with pytest.raises(InputError, match=r"in 2 parts up to 3\.5 km apart.*Set part to one of"):
        plan(load(farm))
    with pytest.raises(InputError, match=r"there is no part 3.* has 2"):
        plan(load(configuration(farm.parent, part=3)))


def test_check_and_scout_take_each_part_in_turn(farm):
    out = farm.parent / "out"
    done = called("check", farm)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("verdict: a run can start") == 2
    assert not out.exists()
    done = called("scout", farm, "--until", "ground")
    assert done.returncode == 0, done.stderr
    assert sorted(p.name for p in out.iterdir()) == ["part-1", "part-2"]
    for number, rows in ((1, 280), (2, 260)):
        assert f"in {out / f'part-{number}'}" in done.stdout
        (ground,) = (out / f"part-{number}" / ".stages").glob("ground-*")
        assert np.load(ground / "000.npy", mmap_mode="r").shape == (rows, rows)


def test_a_fault_of_one_part_stops_all_before_any_is_begun(farm):
    (farm.parent / "b.laz").unlink()
    done = called("scout", farm)
    assert done.returncode == 2
    assert "part 1 of" in done.stderr
    assert not (farm.parent / "out").exists()


def test_what_belongs_to_one_part_asks_for_its_number(farm):
    line = LineString([(LEFT + 10, BOTTOM + 10), (LEFT + 40, BOTTOM + 40)])
    gpd.GeoDataFrame({"name": ["oak"]}, geometry=[line], crs=26916).to_file(
        farm.parent / "own.gpkg"
    )
    done = called("check", configuration(farm.parent, own_holes="own.gpkg"))
    assert done.returncode == 2
    assert "Set part to the number of that one" in done.stderr
    done = called("check", configuration(farm.parent, own_holes="own.gpkg", part=2))
    assert done.returncode == 0, done.stderr
    assert "own holes: 1 lines" in done.stdout


def test_a_part_without_an_outline_is_refused(tmp_path):
    tile(tmp_path / "a.laz", LEFT, BOTTOM)
    with pytest.raises(InputError, match="part is set but no property"):
        load(configuration(tmp_path, property=None, part=1, keep_out=[]))
