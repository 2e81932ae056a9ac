"""A finished run from Python, held against what the run published and against planted growth."""

import json
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
import yaml

import lanewright
from lanewright.base.errors import InputError
from lanewright.base.schema import LAYERS
from run.runs import copied

ROOT = Path(__file__).resolve().parents[2]
BY_TRIM = ("score", "fair", "trim_hours_low", "trim_hours_high")


@pytest.fixture(scope="module")
def run(demo) -> lanewright.Run:
    return lanewright.open_run(demo)


def chord(leg):
    """Tee, unit vector and length of a leg, from above."""
    ends = shapely.get_coordinates(leg.geometry)[[0, -1]]
    length = np.hypot(*(ends[1] - ends[0]))
    return ends[0], (ends[1] - ends[0]) / length, length


def met(run, leg, xyzt):
    """Contacts of each throw up to the target: density at its places, times the steps to them.

    The last place of a throw is where it lands, which is no contact.
    """
    tee, ahead, length = chord(leg)
    step = np.linalg.norm(np.diff(xyzt[..., :3], axis=1), axis=2)
    places = xyzt[:, 1:, :3]
    density = run.contact_density(places.reshape(-1, 3)).reshape(step.shape)
    before = (places[..., :2] - tee) @ ahead <= length * (1 + 1e-6)
    before[:, :-1] &= np.isfinite(places[:, 1:, 0])
    return np.where(before, np.nan_to_num(density) * np.nan_to_num(step), 0.0).sum(1)


def seen_whole(run):
    """Legs of the search, thrown in full, all of whose flight space was searched."""
    legs = run.table("legs")
    fewer = legs["leg_id"].isin(run.table("hole_positions")["leg_id"])
    return legs[(legs["seen_share"] == 1.0) & (legs["origin"] == "search") & ~fewer]


def test_a_release_is_that_of_the_throws_flown(run):
    """Way, climb and bend of a leg's throws against the figures of their release."""
    legs = run.table("legs")
    legs = legs[(legs["level"] == "blue") & (legs["origin"] == "search")]
    hands = set()
    for finish in legs["finish"].unique():
        leg = legs[legs["finish"] == finish].iloc[0]
        ahead = chord(leg)[1]
        release = run.release(leg["leg_id"])
        hands.add(release.mirrored)
        flown = run.throws(leg["leg_id"], count=512)[:, :4, :3]
        step = np.diff(flown, axis=1)[:, 0]
        left = np.degrees(np.arctan2(step[:, :2] @ [-ahead[1], ahead[0]], step[:, :2] @ ahead))
        assert left.mean() == pytest.approx(release.aim_deg, abs=1.5)
        climb = np.degrees(np.arctan2(step[:, 2], np.hypot(*step[:, :2].T)))
        assert climb.mean() == pytest.approx(release.launch_deg, abs=3.0)
        # It bends from where it is aimed at release to where it comes in.
        wanted = {"left": 1, "right": -1}.get(finish, 0)
        assert (release.turn_deg - release.aim_deg) * wanted >= 0
        assert 10 < release.speed_mps < 40
        assert release.descent_deg > 0
    assert hands <= {True, False}
    with pytest.raises(KeyError, match="no leg 10000000"):
        run.release(10_000_000)


def test_tables_and_rasters_are_those_of_the_files(run, demo):
    legs = gpd.read_file(demo / "scout.gpkg", layer="legs")
    assert run.table("legs").equals(legs)
    with rasterio.open(demo / "rasters" / "slope.tif") as source:
        slope, known = source.read(1), source.read_masks(1) > 0
        assert run.grid.transform == source.transform
        assert run.grid.shape == source.shape
    got = run.raster("slope")
    assert (np.isfinite(got) == known).all()
    assert (got[known] == slope[known]).all()
    assert [level.name for level in run.levels] == ["blue", "red"]
    assert run.summary == json.loads((demo / "summary.json").read_text())
    assert run.settings.name == "Hollow Creek"


def test_throws_get_through_as_often_as_the_leg_says(run):
    """The clear rate again: Beer-Lambert over the very throws, sample by sample, in numpy."""
    legs = seen_whole(run)
    legs = legs.iloc[np.linspace(0, len(legs) - 1, 40).astype(int)]
    count, off = run.settings.legs.throws, []
    for leg in legs.itertuples():
        through = np.exp(-met(run, leg, run.throws(leg.leg_id, count))).mean()
        # Where brush stands at the basket, the step in which a disc lands counts in part.
        assert through == pytest.approx(leg.clear_rate, abs=0.015), leg.leg_id
        off.append(abs(through - leg.clear_rate))
    assert np.mean(off) < 0.0007
    assert legs["clear_rate"].min() < 0.7 < legs["clear_rate"].max()


def test_other_throws_agree_within_their_error(run):
    """Three standard errors of the leg's own throws, and of as many with another seed."""
    legs = seen_whole(run)
    legs = legs[legs["clear_rate"].between(0.3, 0.9)].iloc[:12]
    count = run.settings.legs.throws
    for leg in legs.itertuples():
        again = run.throws(leg.leg_id, count, seed=2)
        assert not np.allclose(again, run.throws(leg.leg_id, count), equal_nan=True)
        through = np.exp(-met(run, leg, again)).mean()
        assert abs(through - leg.clear_rate) < 3 * np.sqrt(2) * leg.clear_rate_se


def test_throws_come_down_where_the_leg_says(run):
    """Ends of throws drawn on to the ground against the landing ellipse, on legs in the open."""
    legs = run.table("legs").query("clear_rate > 0.99 and origin == 'search'").iloc[:25]
    ground, count = run.raster("ground"), run.settings.legs.throws
    assert len(legs) == 25
    shares, aloft = [], []
    for leg in legs.itertuples():
        flown = run.throws(leg.leg_id, count)
        tee, ahead, length = chord(leg)
        down = np.isfinite(flown[..., 0]).sum(1) - 1
        last, before = (flown[np.arange(count), down - k, :3] for k in (0, 1))
        over = last[:, 2] - ground[run.grid.rowcol(last[:, 0], last[:, 1])]
        higher = before[:, 2] - ground[run.grid.rowcol(before[:, 0], before[:, 1])]
        # It came down here, which it had not at the place before; but for a few whose errors raise
        # them by more than the 15 m that the path aimed for goes on below its target.
        landed = over < run.settings.legs.throw.landing + 0.02
        ran_out = down == flown.shape[1] - 1
        assert (landed | ran_out).all(), leg.leg_id
        aloft.append(~landed)
        assert (higher > run.settings.legs.throw.landing - 0.02).all()
        fall = np.maximum(before[:, 2] - last[:, 2], 0.02)
        end = last + (last - before) * (np.maximum(over, 0) / fall)[:, None]
        # From there it slides on its way, by as much as the published middle says; flat ones far.
        slide = leg.landing_past_m + length - ((end[:, :2] - tee) @ ahead).mean()
        assert 0 < slide < 25, leg.leg_id
        way = (last - before)[:, :2]
        end = end[:, :2] + way / np.linalg.norm(way, axis=1)[:, None] * slide
        spread = np.sqrt(np.linalg.eigvalsh(np.cov(end.T)))
        reach = 2 * np.sqrt(-2 * np.log(1 / 3))  # two thirds of a normal spread in the plane
        found = reach * spread / (leg.landing_wide_m, leg.landing_long_m)
        shares.append(found)
    assert np.mean(aloft) < 0.01
    # Where the ground falls away a throw skims on before it comes to rest: not for most legs.
    assert np.quantile(np.abs(np.array(shares) - 1), 0.75) < 0.1


def test_throws_are_discs_in_flight(run):
    """Released over the tee; 15 to 40 m/s at first, common practice; samples a cell apart."""
    leg = run.table("legs").iloc[0]
    flown = run.throws(leg["leg_id"], 16)
    tee = shapely.get_coordinates(leg.geometry, include_z=True)[0]
    np.testing.assert_allclose(flown[:, 0, :3], np.tile(tee, (16, 1)), atol=0.02)
    assert (flown[:, 0, 3] == 0).all()
    step = np.diff(flown, axis=1)
    away = np.linalg.norm(step[..., :3], axis=2)
    assert np.nanmax(away) < 1.5 * run.grid.cell
    assert (np.nan_to_num(step[..., 3], nan=1.0) > 0).all()
    speed = away[:, 1:10].sum(1) / step[:, 1:10, 3].sum(1)
    assert ((speed > 12) & (speed < 40)).all()


def test_density_is_nowhere_known_where_nothing_was_searched(run):
    grid, ground = run.grid, run.raster("ground")
    row, col = (n.ravel() for n in np.meshgrid(np.arange(50, 400, 7), np.arange(50, 400, 7)))
    x, y = grid.xy(row, col)
    z = ground[row, col].astype(float)
    low = run.contact_density(np.column_stack([x, y, z + 1.1]))
    assert np.isfinite(low).mean() > 0.5
    assert (low[np.isfinite(low)] >= 0).all()
    assert np.isnan(run.contact_density(np.column_stack([x, y, z - 1.0]))).all()
    assert np.isnan(run.contact_density(np.column_stack([x, y, z + 16.1]))).all()
    far = run.contact_density([[0.0, 0.0, 0.0], [np.nan, y[0], z[0]]])
    assert np.isnan(far).all()
    with pytest.raises(ValueError, match="x, y, height"):
        run.contact_density([1.0, 2.0, 3.0])


def test_own_lines_score_as_they_were_published(run):
    """The designer's three lines of the demo, drawn again by hand from their file."""
    legs = run.table("legs").query("origin == 'own'")
    drawn = gpd.read_file(ROOT / "sample_tiles" / "own_holes.gpkg").to_crs(legs.crs)
    names = drawn["name"]
    compared = [c for c in legs.columns if c not in ("leg_id", "tee_id", "end_id", "own_hole")]
    for level in ("blue", "red"):
        found = 0
        for name, line in zip(names, drawn.geometry, strict=True):
            got = lanewright.score_line(run, line, level)
            said = legs[(legs["own_hole"] == name) & (legs["level"] == level)]
            # in the order of play: throws follow the line
            along = [line.project(shapely.Point(g.coords[0][:2])) for g in said.geometry]
            said = said.iloc[np.argsort(along)].reset_index(drop=True)
            assert list(got["throw"]) == list(range(len(said)))
            assert set(compared) - set(got.columns) <= {*BY_TRIM, "lane_id"}
            plain = [c for c in compared if c in got.columns and c != "geometry"]
            if (said["fair"] == "after trim").any():  # published with what trimming makes of it
                plain = [c for c in plain if c not in BY_TRIM]
            assert got[plain].astype(object).equals(said[plain].astype(object)), (name, level)
            found += len(said)
        assert found >= len(drawn)


def test_lines_that_cannot_be_scored_are_refused(run):
    left, bottom, right, top = run.grid.bounds
    inside = [[(left + right) / 2, (bottom + top) / 2], [(left + right) / 2 + 60, top - 200]]
    with pytest.raises(KeyError, match="blue, red"):
        lanewright.score_line(run, inside, "purple")
    with pytest.raises(ValueError, match="two places"):
        lanewright.score_line(run, [[left, top], [np.nan, top]])
    with pytest.raises(ValueError, match="two places"):
        lanewright.score_line(run, [left + 50, top - 50])
    with pytest.raises(InputError, match="leaves the surveyed land"):
        lanewright.score_line(run, [[left + 50, top - 50], [left - 50, top - 50]])


def test_what_is_not_there_is_named(run, tmp_path):
    with pytest.raises(KeyError, match="tee_sites"):
        run.table("legz")
    with pytest.raises(KeyError, match="canopy_height"):
        run.raster("slop")
    with pytest.raises(KeyError, match="numbered from 1"):
        run.throws(0)
    with pytest.raises(ValueError, match="count"):
        run.throws(1, count=0)
    with pytest.raises(InputError, match="no finished run"):
        lanewright.open_run(tmp_path)
    with pytest.raises(AttributeError, match="score_lines"):
        lanewright.score_lines  # noqa: B018


def test_scout_makes_a_run_and_returns_it(tmp_path, tunnel):
    """Called with a path; the same module still holds the run of the command."""
    from lanewright.scout import run as command

    config = copied(tunnel, tmp_path)
    (tmp_path / "out" / "scout.gpkg").unlink()  # made again, from stages that are stored
    made = lanewright.scout(config)
    assert callable(command)
    assert (tmp_path / "out" / "scout.gpkg").exists()
    assert len(made.table("legs")) == made.summary["counts"]["legs"] > 0
    assert set(made.table("legs").columns) == {
        c.name for c in LAYERS["legs"].columns if c.name in made.table("legs")
    } | {"geometry"}
    leg = int(made.table("legs")["leg_id"].iloc[0])
    before = made.throws(leg)
    assert before.shape[0] == 256
    assert before.shape[2] == 4
    # Opened anew it gives the same throws, and with stored results gone it says what to do.
    again = lanewright.open_run(str(tmp_path / "out"))
    np.testing.assert_array_equal(again.throws(leg), before)
    for manifest in (tmp_path / "out" / ".stages").glob("scene-*/*.json"):
        manifest.unlink()
    with pytest.raises(InputError, match="cannot be used"):
        lanewright.open_run(tmp_path / "out").throws(leg)


def test_a_run_that_stopped_early_is_not_mistaken_for_the_published_one(tmp_path, tunnel):
    """Fewer legs, as many legs that other discs were thrown at, and other flights below them."""
    config = copied(tunnel, tmp_path)
    made = lanewright.scout(config)
    published = yaml.safe_load(config.read_text())
    from lanewright.scout import run as command
    from lanewright.settings.config import load

    def stopped(after, section, **more):
        changed = published | {section: published.get(section, {}) | more}
        config.write_text(yaml.safe_dump(changed))
        command(load(config), stop_after=after)
        return lanewright.open_run(tmp_path / "out")

    assert len(made.table("legs")) > 1
    thrown = made.throws(1)
    for after, section, more in (
        ("holes", "legs", {"keep": 1}),
        ("holes", "legs", {"throw": {"disc": 1.7}}),
        ("flight", "flight", {"apex_margin": 1.6}),
    ):
        with pytest.raises(InputError, match="stopped before it published"):
            stopped(after, section, **more).throws(1)
    again = stopped("holes", "legs")  # nothing changed: what was published is stored again
    np.testing.assert_array_equal(again.throws(1), thrown)
