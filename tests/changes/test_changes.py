"""Two surveys of a land with planted changes: what is found, and that nothing else is."""

import datetime as dt
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pytest
import shapely

import changed_worlds as world
import pulses
from lanewright.base.errors import InputError
from lanewright.changes.changes import Changes, find_changes
from lanewright.changes.rates import growth_by_height
from lanewright.changes.shift import find_shift, moved_by
from lanewright.check import check_inputs
from lanewright.publish.report.since import since_of
from lanewright.publish.report.words import Units
from lanewright.scout import run, scout
from lanewright.settings.config import Config
from lanewright.store import Store, Until
from small import SETTINGS

CELL = 0.5


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    where = tmp_path_factory.mktemp("twice")
    for name, points in world.surveys()._asdict().items():
        pulses.write_laz(where / f"{name}.laz", points)
    return where


def config(folder, **compare) -> Config:
    later = {"points": [str(folder / "then.laz")], "flown": world.THEN, "now": world.NOW}
    return Config.model_validate(
        {
            "name": "Twice", "points": [str(folder / "now.laz")], "out": folder / "out",
            "levels": ["red"], "leaf_state": "off",
            "compare": later | {"leaf_state": "off"} | compare,
        }
    )  # fmt: skip


def compared(folder, **compare) -> Changes:
    # Where the whole run at the end looks for what is made already.
    store = Store(folder / "out" / ".stages", stop_after="changes")
    with pytest.raises(Until):
        scout(config(folder, **compare), store)
    return store.last(find_changes)


@pytest.fixture(scope="module")
def changes(folder) -> Changes:
    return compared(folder)


def overlap(shape, planted) -> float:
    """Intersection over union."""
    return shape.intersection(planted).area / shape.union(planted).area


def test_the_shift_of_the_earlier_survey_is_measured(changes):
    # Constructed: the points then were moved by OFF.
    assert changes.shift.east == pytest.approx(-world.OFF[0], abs=0.15)
    assert changes.shift.north == pytest.approx(-world.OFF[1], abs=0.15)
    assert changes.shift.up == pytest.approx(-world.OFF[2], abs=0.05)
    assert changes.shift.likeness > 0.5


@pytest.mark.parametrize(
    ("kind", "planted", "least"),
    [
        ("canopy lost", world.FELLED, 0.5),  # crowns there fill about two thirds of the square
        ("ground lowered", world.DUG, 0.75),
        ("new building", world.HOUSE, 0.7),
    ],
)
def test_what_was_planted_is_found(changes, kind, planted, least):
    found = changes.changes[changes.changes["kind"] == kind]
    assert overlap(found.union_all(), planted) >= least


def test_nothing_is_found_where_nothing_happened(changes):
    planted = shapely.union_all([world.FELLED, world.DUG, world.HOUSE]).buffer(3)
    lanes = [
        shapely.box(world.LEFT, world.BOTTOM + y - 6, world.LEFT + world.SIZE, world.BOTTOM + y + 6)
        for y in (world.NARROWED, world.CLOSED)
    ]
    false = changes.changes.geometry.difference(shapely.union_all([planted, *lanes])).area
    whole = changes.changes.geometry.area.sum()
    assert false.sum() <= 0.05 * whole


def test_trees_that_stood_in_a_felled_patch_are_counted(changes):
    # 625 m2 with trees at least 5 m apart: at most one to 5 x 5 x 0.785 m2 (Hales: packing), and
    # about half of that at random (from memory: 0.55 of the square root by random sequence).
    assert 10 <= changes.facts["trees_lost"] <= 32


def test_growth_per_year_is_that_of_the_wood(changes):
    rates = {row["from_m"]: row for row in changes.facts["growth"]}
    tall = rates[10.0]
    assert tall["m_per_year"] == pytest.approx(world.GROWTH, abs=0.06)
    assert 0 < tall["error_m_per_year"] < 0.1
    assert changes.facts["years"] == pytest.approx(5.0, abs=0.01)


def test_lanes_that_narrowed_and_closed_are_named(changes):
    lanes = changes.lanes
    at = lanes.geometry.centroid.y - world.BOTTOM
    narrowed = lanes[(at - world.NARROWED).abs() < 3]
    assert narrowed["state"].tolist() == ["narrower"]
    row = narrowed.iloc[0]
    assert row["width_then_m"] == pytest.approx(world.WIDE_THEN, abs=1.2)
    assert row["width_now_m"] == pytest.approx(world.WIDE_NOW, abs=1.2)
    # (9 - 6) m in 5 years, and from 6 m down to the 3 m that make a lane at that pace.
    assert row["m_per_year"] == pytest.approx(-0.6, abs=0.2)
    least = Config(name="n", points=("a",), out="o").lanes.min_width
    left = (world.WIDE_NOW - least) / 0.6
    assert row["closes_in_years"] == pytest.approx(left, abs=0.5 * left)
    closed = lanes[(at - world.CLOSED).abs() < 3]
    assert closed["state"].tolist() == ["closed"]
    assert closed["lane_id"].isna().all()
    assert closed["closes_in_years"].isna().all()
    assert closed["m_per_year"].notna().all()


@pytest.mark.parametrize(
    ("leaf_state", "warning"),
    [("on", "flown in leaf"), ("unknown", "compare.leaf_state is unknown")],
)
def test_leaves_that_may_differ_give_no_pace_of_growth_or_lanes(folder, leaf_state, warning):
    found = compared(folder, leaf_state=leaf_state)
    assert all(row["m_per_year"] is None for row in found.facts["growth"])
    assert found.lanes[["m_per_year", "error_m_per_year", "closes_in_years"]].isna().all(axis=None)
    assert {"narrower", "closed"} <= set(found.lanes["state"])
    assert any(warning in text for text in found.warnings)


def test_settings_decide_what_counts(folder, changes):
    def kinds(**compare):
        return set(compared(folder, **compare).changes["kind"])

    assert "ground lowered" not in kinds(ground_step=1.5)
    assert "canopy lost" not in kinds(tree_height=60.0)
    assert "new building" not in kinds(least_area=200.0)
    fewer = compared(folder, lost_share=0.995).changes
    more = changes.changes
    lost = [t.loc[t["kind"] == "canopy lost", "area_m2"].sum() for t in (fewer, more)]
    assert lost[0] < lost[1]
    gained = compared(folder, gained=0.5).changes
    assert (gained["kind"] == "canopy gained").sum() > (more["kind"] == "canopy gained").sum()


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        ({"most_shift": 0.5}, "off sideways"),
        ({"most_rise": 0.1}, "compare.most_rise"),
    ],
)
def test_what_cannot_be_an_earlier_survey_of_this_land_is_refused(folder, changed, problem):
    with pytest.raises(InputError, match=problem):
        compared(folder, **changed)


def test_surveys_in_the_wrong_order_are_refused_with_the_settings(folder):
    with pytest.raises(ValueError, match="is not earlier"):
        config(folder, flown=dt.date(2024, 1, 1))


def test_check_refuses_what_the_run_would(folder, tmp_path):
    assert "earlier survey: 1 tiles" in check_inputs(config(folder))[0]
    with pytest.raises(InputError, match="same content as a tile in points"):
        check_inputs(config(folder, points=[str(folder / "now.laz")]))
    # A tile cut short in its points: the header is whole, the decoder is not.
    whole = (folder / "then.laz").read_bytes()
    (tmp_path / "cut.laz").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"cut\.laz"):
        check_inputs(config(folder, points=[str(tmp_path / "cut.laz")]))


def test_an_unknown_date_says_nothing_per_year(folder):
    # The points' GPS times are those of an invented week, so without both dates none is known.
    found = compared(folder, flown=None, now=world.NOW)
    if found.facts["years"] is None:
        assert any("compare.flown is not known" in text for text in found.warnings)
    else:
        assert found.facts["years"] > 0


def test_a_planted_shift_between_rasters_is_found():
    # The reference is scipy's own shift of a smooth random surface.
    rng = np.random.default_rng(3)
    from scipy import ndimage as ndi

    rough = ndi.gaussian_filter(rng.normal(size=(400, 400)), 3).astype(np.float32) * 20
    flat = np.zeros_like(rough)
    then = moved_by(rough, 1.6, -2.4)
    found = find_shift(flat + 100, rough, flat + 99.8, then, CELL)
    assert found.north * -1 == pytest.approx(-1.6 * CELL, abs=CELL / 5)
    assert found.east == pytest.approx(2.4 * CELL, abs=CELL / 5)
    assert found.up == pytest.approx(0.2, abs=1e-4)


def test_two_lands_that_have_nothing_in_common_are_not_moved():
    rng = np.random.default_rng(4)
    a, b = (rng.normal(size=(300, 300)).astype(np.float32) for _ in range(2))
    flat = np.zeros_like(a)
    found = find_shift(flat, a, flat, b, CELL)
    assert found.east == found.north == 0
    assert np.isnan(found.sideways_error)


def test_the_error_of_a_rate_is_that_of_block_means():
    # Equal blocks: the ratio estimator's error is the plain standard error of block means.
    rng = np.random.default_rng(5)
    means = rng.normal(1.5, 0.4, (6, 6))
    rise = np.kron(means, np.ones((100, 100))).astype(np.float32)
    then = np.full_like(rise, 8.0)
    row = growth_by_height(then + rise, then, np.ones(rise.shape, bool), CELL, 5.0)[0]
    assert row["m_per_year"] == pytest.approx(means.mean() / 5, abs=1e-3)
    plain = means.std(ddof=1) / np.sqrt(means.size) / 5
    assert row["error_m_per_year"] == pytest.approx(plain, abs=1e-3)


def test_the_page_says_when_a_shift_could_not_be_measured():
    table = gpd.GeoDataFrame({"kind": []}, geometry=[])
    lanes = gpd.GeoDataFrame({"state": [], "closes_in_years": [], "change_id": []}, geometry=[])
    said = []
    for measured in (True, False):
        moved = {"east": 0.3, "north": -0.4, "up": 0.1, "measured": measured}
        findings = SimpleNamespace(
            summary={"findings": {"changes": {"moved_m": moved, "growth": [], "trees_lost": 0}}},
            layers={"changes": table, "lane_changes": lanes},
            config=SimpleNamespace(compare=None),
        )
        said.append(since_of(findings, Units("m")).sentences[0])
    assert said[0].startswith("The earlier survey was moved by 2\u202fft (0.5\u202fm)")
    assert "could not be measured; it was not moved sideways" in said[1]
    assert "changes at edges may come from that" in said[1]


def test_layers_reach_the_geopackage(folder):
    few = {"holes": 1, "legs": SETTINGS["legs"], "layout": SETTINGS["layout"]}
    small = Config.model_validate(config(folder).model_dump() | few)
    run(small)
    lost = gpd.read_file(small.out / "scout.gpkg", layer="changes")
    assert overlap(lost.loc[lost["kind"] == "canopy lost"].union_all(), world.FELLED) > 0.5
    lanes = gpd.read_file(small.out / "scout.gpkg", layer="lane_changes")
    assert {"narrower", "closed"} <= set(lanes["state"])
    page = (small.out / "report.html").read_text("utf-8")
    assert "Since the survey of 2018" in page
