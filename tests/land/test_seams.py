"""Steps between tiles: planted ones found to the centimetre, and none where there is none."""

import numpy as np
import pytest

from lanewright.base.errors import InputError
from lanewright.land.seams import Sheet, judge, seams


def land(row: int, col: int, rows: int, cols: int, seed: int | None = None) -> np.ndarray:
    """Heights of hilly ground in cells of 5 m: slopes to 30 %, a ridge, and noise where seeded."""
    r, c = np.mgrid[row : row + rows, col : col + cols] * 5.0
    z = 200 + 20 * np.sin(r / 90) + 15 * np.cos(c / 60) + 0.1 * c
    return z if seed is None else z + 0.1 * np.random.default_rng(seed).standard_normal(z.shape)


def sheet(name: str, row: int, col: int, rows: int = 40, cols: int = 40, seed=None) -> Sheet:
    return Sheet(name, row, col, land(row, col, rows, cols, seed))


def raised(s: Sheet, by: float, times: float = 1.0) -> Sheet:
    return Sheet(s.name, s.row, s.col, s.heights * times + by)


PLACES = {
    "side by side": (0, 40),
    "one cell apart": (0, 41),
    "one over the other": (40, 0),
    "overlapping": (20, 30),
    "overlapping by one cell": (0, 39),
    "the same place": (0, 0),
}


@pytest.mark.parametrize("step", [0.0, 0.5, -2.0])
@pytest.mark.parametrize("place", PLACES)
def test_a_planted_step_is_found(place, step):
    row, col = PLACES[place]
    a, b = sheet("a", 0, 0, seed=1), raised(sheet("b", row, col, seed=2), step)
    (seam,) = seams([b, a])
    assert (seam.first, seam.second) == ("a", "b")
    assert seam.step == pytest.approx(step, abs=0.12)
    assert seam.is_step == (step != 0)
    assert seam.ratio is None


def test_tiles_that_neither_meet_nor_overlap_have_no_seam():
    assert seams([sheet("a", 0, 0), sheet("b", 0, 60), sheet("c", 100, 0)]) == []
    assert seams([sheet("a", 0, 0), sheet("b", 40, 40)]) == []  # a corner is no seam


def test_half_empty_cells_at_the_edge_do_not_count():
    """A tile ends within a cell; the lowest height of what is there is that of its inner side."""
    a, b = sheet("a", 0, 0), sheet("b", 0, 40)
    a.heights[:, -1] += 3.0
    b.heights[:, 0] -= 3.0
    (seam,) = seams([a, b])
    assert abs(seam.step) < 0.12


@pytest.mark.parametrize("times", [1 / 0.3048, 0.3048])
def test_feet_beside_metres_are_known_by_the_heights(times):
    (seam,) = seams([sheet("a", 0, 0), raised(sheet("b", 0, 40), 0.0, times)])
    assert seam.ratio == pytest.approx(times, rel=0.02)
    with pytest.raises(InputError, match=r"A\.laz and B\.laz: .*3\.28 as feet and metres do"):
        judge([seam], "points", {"a": "A.laz", "b": "B.laz"}, {}, [])


def test_feet_beside_metres_are_known_by_the_relief():
    """Heights over another datum: their ratio says nothing, the ups and downs along do."""
    b = sheet("b", 0, 40)
    (seam,) = seams([sheet("a", 0, 0), raised(b, -500.0, 1 / 0.3048)])
    assert seam.ratio == pytest.approx(1 / 0.3048, rel=0.02)


def test_a_datum_shift_is_a_warning_not_a_unit():
    (seam,) = seams([sheet("a", 0, 0), raised(sheet("b", 0, 40), 33.0)])
    facts, warnings = {}, []
    judge([seam], "points", {}, facts, warnings)
    assert facts == {"points_seams": 1, "points_largest_step_m": pytest.approx(33, abs=0.1)}
    assert seam.step == pytest.approx(33, abs=0.12)
    assert warnings == [
        f"b lies {seam.step:+.2f} m against a along their seam ({seam.places} places compared): "
        "slopes, water and flights across it are wrong by as much"
    ]


def test_many_steps_are_summed_up():
    sheets = [raised(sheet(f"{i}", 0, 40 * i), float(i % 2)) for i in range(8)]
    facts, warnings = {}, []
    judge(seams(sheets), "elevation", {}, facts, warnings)
    assert facts["elevation_seams"] == 7
    assert len(warnings) == 4
    assert warnings[-1].startswith("4 more seams")
