"""A tile decoded once for several parcels gives each what a reading for it alone gives."""

from dataclasses import replace

import numpy as np
import pytest

from lanewright.base.grid import Grid
from lanewright.land.pointplan import frame_over
from lanewright.rank.tiles import Wish, read_tile
from lanewright.settings.ingest import CrsSettings
from lanewright.sources.las import open_tile
from lanewright.sources.reader import parts_of, read_parts
from small import LAND, points

LEFT, BOTTOM, RIGHT, TOP = LAND.bounds
BOXES = {
    "west": (LEFT, BOTTOM, LEFT + 60, TOP),
    "east": (LEFT + 40, BOTTOM, RIGHT, TOP),  # shares 20 m with it
    "off": (RIGHT + 500, BOTTOM, RIGHT + 560, TOP),
}


@pytest.fixture(scope="module")
def tile(tmp_path_factory):
    path = tmp_path_factory.mktemp("tile") / "a.laz"
    points().write(path)
    return open_tile(path)


def test_each_parcel_gets_what_it_would_read_itself(tile, tmp_path):
    frames = {
        key: frame_over(Grid.over(box, 0.5, tile.reference.crs, align=1.0), (7, 18), False)
        for key, box in BOXES.items()
    }
    wishes = [Wish(key, frame, tmp_path / key) for key, frame in frames.items()]
    found = read_tile(tile, CrsSettings(), wishes, 60.0)
    assert found.content is not None
    for key, frame in frames.items():
        (tmp_path / f"{key}-alone").mkdir()
        parts = parts_of(tile, frame, tmp_path / f"{key}-alone", found.content)
        for (part, tally), alone, met in zip(
            found.share(key).ready, parts, read_parts(parts, 1, 60.0), strict=True
        ):
            assert replace(part, out=None) == replace(alone, out=None)
            assert part.out.read_bytes() == alone.out.read_bytes()
            for name, value in vars(met).items():
                np.testing.assert_array_equal(getattr(tally, name), value)
    assert found.share("west").ready[0][1].kept > 1000
    assert found.share("off").ready[0][1].kept == 0


def test_a_damaged_tile_is_left_to_the_parcels_own_runs(tile, tmp_path):
    data = bytearray(tile.path.read_bytes())
    data[len(data) // 2 :] = bytes(len(data) - len(data) // 2)
    path = tmp_path / "b.laz"
    path.write_bytes(data)
    frame = frame_over(Grid.over(BOXES["west"], 0.5, tile.reference.crs), (), False)
    found = read_tile(
        replace(tile, header=replace(tile.header, path=path)), CrsSettings(),
        [Wish("west", frame, tmp_path)], 60.0,
    )  # fmt: skip
    assert found.share("west").ready == ()
