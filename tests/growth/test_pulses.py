"""Sensor positions and ray directions against simulated flights."""

import numpy as np
import pytest

import land
import pulses as simulator
import worlds
from lanewright.growth.pulses import UNIT, fewest_needed, fit_tracks, make_rays, pulse_lines
from memory import make_points, points_of, take

EVERYWHERE = (-1e9, -1e9, 1e9, 1e9)


def flight(sensor_at, pulses=4000, seed=1, noise=0.02, source=1, span=3.0, side=200.0):
    """Pulses of two returns, 2 to 20 m apart, onto a square; sensor_at(t) -> x, y, z."""
    rng = np.random.default_rng(seed)
    time = 1000.0 + np.sort(rng.uniform(0, span, pulses))
    foot = np.column_stack([rng.uniform(0, side, (pulses, 2)), rng.uniform(90, 100, pulses)])
    sensor = np.array([sensor_at(t) for t in time - 1000.0])
    way = sensor - foot
    way /= way[:, 2:]
    first = foot + way * rng.uniform(2, 20, (pulses, 1))
    xyz = np.concatenate([first, foot]) + rng.normal(0, noise, (2 * pulses, 3))
    order = np.argsort(np.r_[time, time], kind="stable")
    points = make_points(
        *xyz.T, 1, np.repeat([1, 2], pulses), 2, np.r_[time, time], source
    )  # fmt: skip
    truth = np.r_[way, way][:, :2]
    return take(points, order), truth[order]


def degrees_off(points, truth, tracks):
    east, north, known = tracks.drift(points)
    assert known.all()
    return np.degrees(np.hypot(east - truth[:, 0], north - truth[:, 1]))


@pytest.mark.parametrize(
    ("height", "speed", "side"), [(60.0, 6.0, 50.0), (1000.0, 60.0, 200.0), (3000.0, 70.0, 200.0)]
)
def test_finds_a_moving_sensor(height, speed, side):
    """A drone, an aircraft, and one so high that lines are too parallel to tell its range well."""
    points, truth = flight(lambda t: (speed * t, side / 2, 100.0 + height), side=side)
    tracks = fit_tracks(pulse_lines(points, EVERYWHERE))
    assert np.quantile(degrees_off(points, truth, tracks), 0.95) < 1.5
    if height <= 1000.0:
        assert tracks.position[:, 2] == pytest.approx(100.0 + height, rel=0.1)


def test_places_the_sensor_of_a_still_station_within_metres():
    points, _ = flight(lambda t: (50.0, 300.0, 1100.0), noise=0.01)
    tracks = fit_tracks(pulse_lines(points, EVERYWHERE))
    assert np.abs(tracks.position - (50.0, 300.0, 1100.0)).max() < 30.0
    assert np.linalg.norm(tracks.position.mean(0) - (50.0, 300.0, 1100.0)) < 8.0


def test_survives_a_fifth_of_wild_lines():
    points, truth = flight(lambda t: (60.0 * t, 400.0, 1100.0))
    rng = np.random.default_rng(2)
    wild = rng.random(len(points)) < 0.1
    points.x[wild] += rng.normal(0, 3, wild.sum())
    tracks = fit_tracks(pulse_lines(points, EVERYWHERE))
    assert np.quantile(degrees_off(points, truth, tracks), 0.95) < 1.5


def test_two_flight_lines_at_the_same_time_stay_apart():
    one, truth_one = flight(lambda t: (60.0 * t, -300.0, 1100.0), source=1)
    two, truth_two = flight(lambda t: (60.0 * t, 500.0, 1100.0), source=2, seed=9)
    both = make_points(
        *(np.r_[getattr(one, n), getattr(two, n)] for n in
          ("x", "y", "z", "classification", "return_number", "returns", "gps_time", "source_id"))
    )  # fmt: skip
    off = degrees_off(
        both, np.concatenate([truth_one, truth_two]), fit_tracks(pulse_lines(both, EVERYWHERE))
    )
    assert np.quantile(off, 0.95) < 1.5


@pytest.mark.parametrize("what", ["zero", "rounded", "absent", "single", "nan"])
def test_without_usable_times_rays_are_vertical(what):
    points, _ = flight(lambda t: (60.0 * t, 400.0, 1100.0), pulses=500)
    if what == "zero":
        points.gps_time[:] = 0.0
    elif what == "rounded":
        points.gps_time[:] = np.floor(points.gps_time)
    elif what == "nan":
        points.gps_time[:] = np.nan
    elif what == "absent":
        points = take(points, np.zeros(len(points), bool))
    else:
        points.returns[:] = 1
        points.return_number[:] = 1
    tracks = fit_tracks(pulse_lines(points, EVERYWHERE))
    assert len(tracks.source) == 0
    rays, known = make_rays(points, np.zeros(len(points), np.uint8), tracks)
    assert known == 0
    assert not rays.east.any()
    assert not rays.north.any()


def test_gaps_in_the_track_are_not_bridged():
    before, _ = flight(lambda t: (60.0 * t, 400.0, 1100.0), span=1.0)
    tracks = fit_tracks(pulse_lines(before, EVERYWHERE))
    late = make_points(0.0, 0.0, 95.0, time=np.array([1000.5, 1010.0]))
    _, _, known = tracks.drift(late)
    assert known.tolist() == [True, False]


def test_lines_do_not_depend_on_how_the_land_is_cut():
    points, _ = flight(lambda t: (60.0 * t, 400.0, 1100.0), pulses=6000)
    whole = pulse_lines(points, (0, 0, 200, 200))
    parts = [
        pulse_lines(points, (x, y, x + 50, y + 100)) for x in (150, 0, 100, 50) for y in (100, 0)
    ]
    joined = fewest_needed(parts)
    for name in ("source", "moment", "rank", "time", "foot", "way"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(joined, name))
    one, other = fit_tracks(whole), fit_tracks(joined)
    np.testing.assert_array_equal(one.position, other.position)
    assert len(fewest_needed([])) == 0


def test_directions_in_a_wood_of_the_simulator():
    """Two strips that look in from 10 degrees on either side, at 8 pulses/m2."""
    world = worlds.uniform_forest(0.1, 8.0)
    points = points_of(world)
    east, north, known = fit_tracks(pulse_lines(points, EVERYWHERE)).drift(points)
    assert known.all()
    # The aircraft fly 1000 m above, and 1000 tan(10°) aside of the middle, to the north first.
    _, bottom, _, top = world.bounds
    aside = 1000.0 * np.tan(np.radians(10.0))
    track = (bottom + top) / 2 + np.where(points.source_id == 1, aside, -aside)
    truth = (track - points.y) / (1000.0 + worlds.GROUND - points.z)
    assert np.degrees(np.abs(north - truth)).max() < 1.0
    assert np.degrees(np.abs(east)).max() < 1.5
    assert simulator.crossing_strips(world.bounds, 8.0)[0].altitude == 1000.0
    assert land.BLOCK > 0


def test_weights_make_one_pulse():
    for returns in range(1, 9):
        points = make_points(
            np.zeros(returns), 0.0, 0.0, number=np.arange(1, returns + 1), returns=returns
        )
        rays, _ = make_rays(points, np.zeros(returns, np.uint8), fit_tracks(fewest_needed([])))
        assert rays.weight.sum() == pytest.approx(UNIT, abs=returns / 2)
    # More returns than the file says: seen in the NEON plot SJER 052.
    odd = make_points(0.0, 0.0, 0.0, number=7, returns=1)
    rays, _ = make_rays(odd, np.zeros(1, np.uint8), fit_tracks(fewest_needed([])))
    assert rays.weight[0] == UNIT // 7
