"""The designer's wishes read from files that are never written to."""

import hashlib
from pathlib import Path

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
import shapely

from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.land.plan import Plan
from lanewright.layout.designer import Drawn, Hand, changes, start_frames
from lanewright.layout.designerfile import read_hand
from lanewright.legs.own import own_lines
from lanewright.publish.geopackage import write_geopackage
from lanewright.settings.config import Config
from lanewright.sources.vectors import drawn_lines

UTM = "EPSG:32617"
X, Y = 440_000.0, 3_800_000.0


def line(*places):
    return shapely.LineString([(X + x, Y + y) for x, y in places])


def plan_with(config: Config) -> Plan:
    own = ()
    if config.own_holes is not None:
        drawn = drawn_lines(config.own_holes, UTM, None)
        own = tuple(zip(drawn["name"], drawn.geometry.to_wkt(), strict=True))
    none = shapely.MultiPolygon()
    return Plan(
        working=UTM, land=shapely.MultiPolygon([shapely.box(X, Y, X + 400, Y + 400)]),
        grid=Grid(UTM, X, Y + 400, 1.0, 400, 400), points=None, elevation=(), skipped=(),
        keep_out=none, water=none, own_holes=own, assumed=(), warnings=(),
    )  # fmt: skip


def read(**keys) -> Hand:
    out = keys.pop("out", "/nowhere/out")
    config = Config(points=["a.laz"], name="Test", out=out, **keys)
    return read_hand(config, plan_with(config))


def layout() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """A proposal of three holes, the second of two throws, as the stages give it."""
    throws = [
        line((50, 50), (60, 90), (50, 130)), line((80, 150), (150, 150)),
        line((150, 150), (150, 90)), line((170, 80), (240, 60)),
    ]  # fmt: skip
    legs = gpd.GeoDataFrame({"leg_id": [1, 2, 3, 4]}, geometry=throws, crs=UTM)
    holes = gpd.GeoDataFrame(
        {"hole_id": [11, 12, 13], "legs": ["1", "2 3", "4"]},
        geometry=[throws[0], line((80, 150), (150, 150), (150, 90)), throws[3]], crs=UTM,
    )  # fmt: skip
    rows = gpd.GeoDataFrame(
        {
            "proposal": 1, "play_order": [1, 2, 3], "hole_id": [11, 12, 13],
            "name": [None, "Pond", None], "sentence": "A hole.",
        },
        geometry=holes.geometry.to_numpy(), crs=UTM,
    )  # fmt: skip
    return rows, holes, legs


@pytest.fixture
def start(tmp_path: Path) -> Path:
    path = tmp_path / "mine" / "designer.gpkg"
    write_geopackage(path, start_frames(*layout(), UTM), UTM)
    return path


def edit(path: Path, change) -> None:
    """Change the layer as somebody with a GIS would."""
    frame = pyogrio.read_dataframe(path, layer="designer_holes")
    frame = change(frame)
    areas = pyogrio.read_dataframe(path, layer="designer_areas")
    path.unlink()
    pyogrio.write_dataframe(frame, path, layer="designer_holes", driver="GPKG")
    pyogrio.write_dataframe(
        areas, path, layer="designer_areas", driver="GPKG", geometry_type="MultiPolygon"
    )


def mark(path: Path) -> tuple[str, int]:
    return hashlib.sha256(path.read_bytes()).hexdigest(), path.stat().st_mtime_ns


def test_untouched_start_asks_for_nothing_and_is_not_written_to(start):
    before = mark(start)
    hand = read(designer=start)
    assert mark(start) == before
    assert hand.holes == ()
    assert hand.drawn == ()
    assert [(n, name) for n, name, _ in hand.before] == [(1, "hole 1"), (2, "Pond"), (3, "hole 3")]


def test_lines_of_the_start_are_tee_landing_zones_basket(start):
    frame = pyogrio.read_dataframe(start, layer="designer_holes")
    places = [shapely.get_coordinates(g).tolist() for g in frame.geometry]
    assert places[0] == [[X + 50, Y + 50], [X + 50, Y + 130]]  # the flight's bow is left out
    assert places[1] == [[X + 80, Y + 150], [X + 150, Y + 150], [X + 150, Y + 90]]


def test_a_moved_basket_is_kept_and_a_wish_is_reported(start):
    def change(frame):
        frame.loc[0, "geometry"] = line((50, 50), (55, 140))
        frame.loc[2, "wish"] = "lock"
        return frame

    edit(start, change)
    first, third = read(designer=start, holes=3).holes
    assert (first.name, first.wish, first.moved, first.order) == ("hole 1", "keep", True, 0)
    assert first.ends == ((X + 50, Y + 50), (X + 55, Y + 140))
    assert (third.name, third.wish, third.moved, third.order) == ("hole 3", "lock", False, 3)


def test_landing_zones_stay_however_little_a_hole_bends_there(start):
    def change(frame):
        frame.loc[0, "geometry"] = line((50, 50), (52, 90), (50, 130))
        return frame

    edit(start, change)
    hand = read(designer=start)
    (name, corners), = own_lines((), hand.drawn)  # fmt: skip
    assert name == "former hole 1"  # the round may give it another number
    assert shapely.get_coordinates(shapely.from_wkt(corners)).tolist() == [
        [X + 50, Y + 50], [X + 52, Y + 90], [X + 50, Y + 130],
    ]  # fmt: skip
    (_, flown), = own_lines(hand.drawn, ())  # fmt: skip
    assert (
        len(shapely.from_wkt(flown).coords) == 2
    )  # a line of `own_holes` that strays so little is one throw


def test_a_landing_zone_outside_is_refused_and_a_hole_to_avoid_may_lie_anywhere(start):
    def change(frame):
        frame.loc[0, "geometry"] = line((50, 50), (-30, 90), (50, 130))
        frame.loc[2, "geometry"] = line((170, 80), (240, -60))
        frame.loc[2, "wish"] = "avoid"
        return frame

    edit(start, change)
    with pytest.raises(InputError, match="landing zone of hole 1 lies 30 m outside") as caught:
        read(designer=start)
    assert "hole 3" not in str(caught.value)


def test_names_of_a_further_start_are_numbers_again_and_none_comes_twice():
    rows, holes, legs = layout()
    rows["name"] = ["former hole 7", "hole 3", None]
    frame = start_frames(rows, holes, legs, UTM)["designer_holes"]
    assert list(frame["name"]) == ["hole 1", "hole 3", "hole 3a"]


def test_areas_are_read_with_their_wish(start):
    areas = gpd.GeoDataFrame(
        {"name": ["spring", None], "wish": [None, "avoid"]},
        geometry=[shapely.box(X, Y, X + 20, Y + 20), shapely.box(X + 100, Y, X + 120, Y + 20)],
        crs=UTM,
    )  # fmt: skip
    pyogrio.write_dataframe(areas, start, layer="designer_areas", driver="GPKG")
    hand = read(designer=start)
    assert hand.area("keep out").area == pytest.approx(400)
    assert hand.area("avoid").bounds == (X + 100, Y, X + 120, Y + 20)


def own_file(path: Path, lines, **columns) -> Path:
    columns.setdefault("name", [f"own {k}" for k in range(len(lines))])
    gpd.GeoDataFrame(columns, geometry=lines, crs=UTM).to_file(path, driver="GPKG")
    return path


def test_own_holes_are_preferred_unless_they_say_otherwise(tmp_path):
    path = own_file(
        tmp_path / "own.gpkg", [line((50, 50), (50, 130)), line((80, 50), (80, 130))],
        wish=[None, "keep"],
    )  # fmt: skip
    before = mark(path)
    hand = read(own_holes=path)
    assert mark(path) == before
    assert [hole.wish for hole in hand.holes] == ["prefer", "keep"]
    assert hand.drawn == ()  # they are scored with the property's own lines


def test_arrival_is_brought_into_the_run_s_crs(tmp_path):
    outline = gpd.GeoSeries([shapely.box(X, Y, X + 400, Y + 400)], crs=UTM).to_crs("EPSG:4326")
    outline.to_file(tmp_path / "land.geojson", driver="GeoJSON")
    at = gpd.GeoSeries([shapely.Point(X + 200, Y + 10)], crs=UTM).to_crs("EPSG:4326").iloc[0]
    hand = read(property=tmp_path / "land.geojson", arrival=(at.x, at.y))
    assert hand.arrival == pytest.approx((X + 200, Y + 10), abs=0.01)


def test_each_fault_is_reported_at_once_and_the_file_stays(tmp_path):
    path = own_file(
        tmp_path / "own.gpkg",
        [line((50, 50), (50, 130)), line((80, 50), (500, 130)), line((90, 50), (90, 130))],
        name=["A", "B", "A"], wish=["kepe", None, None],
    )  # fmt: skip
    before = mark(path)
    with pytest.raises(InputError) as caught:
        read(own_holes=path, arrival=(0.0, 0.0))
    said = str(caught.value)
    assert "more than one hole is called A" in said
    assert "basket of hole B lies 100 m outside the property" in said
    assert "'kepe', which nobody knows" in said
    assert "arrival: lies" in said
    assert mark(path) == before


@pytest.mark.parametrize(
    "shape",
    [shapely.Point(X + 50, Y + 50), shapely.LineString([(X + 50, Y + 50)] * 2)],
    ids=["point", "one place"],
)
def test_a_tee_without_a_basket(tmp_path, shape):
    path = tmp_path / "designer.gpkg"
    frame = gpd.GeoDataFrame({"name": ["Stump"], "wish": ["keep"]}, geometry=[shape], crs=UTM)
    pyogrio.write_dataframe(frame, path, layer="designer_holes", driver="GPKG")
    with pytest.raises(InputError, match="hole Stump has a tee but no basket"):
        read(designer=path)


def test_two_holes_locked_to_one_number_and_a_number_beyond_the_round(start):
    def change(frame):
        frame["wish"] = "lock"
        frame["play_order"] = [2, 2, 30]
        return frame

    edit(start, change)
    with pytest.raises(InputError) as caught:
        read(designer=start, holes=9)
    assert "hole 1, Pond are all locked as hole 2" in str(caught.value)
    assert "hole 3 is locked, but its play_order, 30" in str(caught.value)


def test_a_file_without_the_layers_and_one_in_the_results_folder(tmp_path):
    other = own_file(tmp_path / "other.gpkg", [line((0, 0), (9, 9))])
    with pytest.raises(InputError, match="neither a layer designer_holes"):
        read(designer=other)
    with pytest.raises(InputError, match="does not exist"):
        read(designer=tmp_path / "missing.gpkg")
    inside = tmp_path / "out" / "designer-start.gpkg"
    inside.parent.mkdir()
    with pytest.raises(InputError, match="a run would write over it"):
        read(designer=inside, out=tmp_path / "out")


def test_changes_say_what_was_kept_moved_left_out_and_new():
    was = [line((50, 50), (50, 130)), line((80, 150), (150, 90)), line((170, 80), (240, 60))]
    moved = line((50, 50), (60, 160))
    hand = Hand(
        holes=(Drawn("hole 1", "k", moved.wkt, "keep", 0, True),),
        before=tuple((k, f"hole {k}", g.wkt) for k, g in enumerate(was, start=1)),
    )
    now = gpd.GeoDataFrame(
        {"play_order": [1, 2, 3]},
        geometry=[was[2], moved, line((300, 300), (300, 380))], crs=UTM,
    )  # fmt: skip
    by_hole, lines = changes(hand, now, {"hole 2": "beside hole 1: fairways too near"})
    assert by_hole[0] == "kept, now hole 1, before 3"
    assert by_hole[1] == "moved by the designer, now hole 2, before 1"
    assert by_hole[2].startswith("new")
    assert "hole 2: left out; beside hole 1: fairways too near" in lines
    assert "new in the round: hole 3" in lines
    drawn = Drawn("Oak", "Oak", now.geometry[2].wkt, "keep")
    more = Hand((*hand.holes, drawn), before=hand.before)
    by_hole, lines = changes(more, now, {})
    assert by_hole[2] == "drawn by the designer"
    assert "Oak: drawn by the designer, hole 3" in lines
    assert not any(text.startswith("new in") for text in lines)


def test_no_layout_before_means_no_changes():
    now = gpd.GeoDataFrame({"play_order": [1]}, geometry=[line((0, 0), (80, 0))], crs=UTM)
    assert changes(Hand(), now, {}) == ([None], [])
    same = Hand(before=((1, "hole 1", line((0, 0), (80, 0)).wkt),))
    assert changes(same, now, {})[1] == ["nothing changed since the layout before"]


def test_an_empty_layout_still_gives_a_file_to_draw_in(tmp_path):
    rows, holes, legs = layout()
    write_geopackage(tmp_path / "s.gpkg", start_frames(rows.iloc[:0], holes, legs, UTM), UTM)
    assert set(pyogrio.list_layers(tmp_path / "s.gpkg")[:, 0]) >= {
        "designer_holes", "designer_areas",
    }  # fmt: skip
    assert read(designer=tmp_path / "s.gpkg") == Hand()


def designer_file(path: Path, shapes, crs=UTM, layer="designer_holes", **columns) -> Path:
    frame = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
    pyogrio.write_dataframe(frame, path, layer=layer, driver="GPKG")
    return path


@pytest.mark.parametrize(
    "order", [float("inf"), float("-inf"), 1e300, 2.5, -3, "first", "9" * 5000, 1000]
)
def test_a_play_order_that_is_no_number_of_a_hole(tmp_path, order):
    path = designer_file(
        tmp_path / "d.gpkg", [line((50, 50), (50, 130))], name=["a"], wish=["lock"],
        play_order=[order],
    )  # fmt: skip
    with pytest.raises(InputError, match="a has the play_order"):
        read(designer=path)


@pytest.mark.parametrize("nowhere", [float("nan"), float("inf")])
def test_a_corner_that_is_no_place(tmp_path, nowhere):
    with np.errstate(invalid="ignore"):
        bad = shapely.LineString([(X + 50, Y + 50), (X + 60, nowhere), (X + 50, Y + 130)])
    path = designer_file(tmp_path / "d.gpkg", [bad], name=["a"], wish=["keep"])
    with pytest.raises(InputError, match=r"feature 1 \(a\) has a corner that is no place"):
        read(designer=path)


def test_degrees_called_metres_and_no_crs(tmp_path):
    bad = shapely.LineString([(-87.0, 39.7), (-86.999, 39.7)])
    path = designer_file(tmp_path / "d.gpkg", [bad], name=["a"], wish=["keep"])
    with pytest.raises(InputError, match="look like degrees"):
        read(designer=path)
    path = designer_file(
        tmp_path / "e.gpkg", [line((50, 50), (50, 130))], crs=None, name=["a"], wish=["keep"]
    )
    with pytest.raises(InputError, match=r"does not say which CRS|is in Undefined"):
        read(designer=path)


def test_an_area_that_crosses_itself_keeps_both_halves(tmp_path):
    bow = shapely.Polygon(
        [(X + 20, Y + 20), (X + 100, Y + 100), (X + 100, Y + 20), (X + 20, Y + 100)]
    )
    path = designer_file(
        tmp_path / "d.gpkg", [bow], layer="designer_areas", name=["spring"], wish=["keep out"]
    )
    assert read(designer=path).area("keep out").area == pytest.approx(3200)


def test_an_area_without_a_shape_is_not_passed_over(tmp_path):
    path = designer_file(
        tmp_path / "d.gpkg", [shapely.box(X, Y, X + 9, Y + 9), None], layer="designer_areas",
        name=["spring", "bog"], wish=["keep out", "keep out"],
    )  # fmt: skip
    with pytest.raises(InputError, match="area bog has no shape"):
        read(designer=path)


@pytest.mark.parametrize("layer", ["designer_holes", "designer_areas"])
def test_a_layer_that_lost_its_shapes_is_not_passed_over(start, layer):
    """Joins and exports of a GIS may leave the table and drop the geometry."""
    other = {"designer_holes": "designer_areas", "designer_areas": "designer_holes"}[layer]
    kept = pyogrio.read_dataframe(start, layer=other)
    bare = pyogrio.read_dataframe(start, layer=layer, read_geometry=False)
    start.unlink()
    pyogrio.write_dataframe(kept, start, layer=other, geometry_type="Unknown")
    pyogrio.write_dataframe(bare, start, layer=layer)
    with pytest.raises(InputError, match=f"holds {layer} as a table without shapes"):
        read(designer=start)


def test_where_a_hole_stood_may_be_noise(start):
    """A place that is NaN is neither moved nor still there; the line counts as drawn anew."""

    def change(frame):
        frame["stood"] = ["LINESTRING (nan nan, nan nan)", "))((", "POINT (1 2)"]
        return frame

    edit(start, change)
    hand = read(designer=start)
    assert hand.before == ()
    assert [hole.wish for hole in hand.holes] == ["keep"] * 3


def test_a_thousand_holes_and_names_that_no_page_can_show(tmp_path):
    shape = line((50, 50), (50, 130))
    path = designer_file(tmp_path / "d.gpkg", [shape] * 1000, name=[f"h{k}" for k in range(1000)])
    with pytest.raises(InputError, match="holds 1,000 holes; at most 200"):
        read(designer=path)
    path = designer_file(tmp_path / "e.gpkg", [shape], name=["x" * 20_000], wish=["keep"])
    with pytest.raises(InputError) as caught:
        read(designer=path)
    assert "20,000 characters" in str(caught.value)
    assert len(str(caught.value)) < 400


def test_paths_that_enclose_nothing_and_have_no_length(tmp_path):
    path = tmp_path / "paths.gpkg"
    gpd.GeoDataFrame(geometry=[shapely.Point(X + 50, Y + 50)], crs=UTM).to_file(path)
    with pytest.raises(InputError, match="holds no line with a length"):
        read(layout={"paths": path})
