"""The table of throws against what designers quote, against real flights, and against symmetry."""

from dataclasses import fields, replace

import numpy as np
import pytest
from pydantic import ValidationError

from lanewright.base.errors import InputError
from lanewright.flight import flight as flight_module
from lanewright.flight import repertoire
from lanewright.flight.aerodynamics import air_density
from lanewright.flight.flight import (
    BIN,
    FINISHES,
    GRADE,
    NODES,
    TARGET,
    elevation_of,
    fly_throws,
    skid,
)
from lanewright.kernels import fly
from lanewright.settings.flight import FlightSettings
from lanewright.settings.levels import all_levels, level_named

LEVEL = int(np.flatnonzero(GRADE == 0)[0])


def table_of(name, **settings):
    return fly_throws((level_named(name),), FlightSettings(**settings)).levels[0]


@pytest.fixture(scope="module")
def blue():
    return table_of("blue")


@pytest.fixture(scope="module")
def every():
    return fly_throws(all_levels(), FlightSettings()).levels


def arcs_of(flights, **wanted):
    return [
        i
        for i, arc in enumerate(flights.arcs)
        if all(getattr(arc, name) == value for name, value in wanted.items())
    ]


def test_paths_run_from_the_release_to_the_target_and_on(blue):
    path = blue.path[blue.exists].astype(float)
    np.testing.assert_array_equal(path[:, 0], 0)
    np.testing.assert_array_equal(path[:, TARGET], np.broadcast_to([1, 0, 0], (len(path), 3)))
    assert (np.diff(path[:, : TARGET + 1, 0]) > 0).all()
    assert (path[:, 1:TARGET, 2] > 0).all()
    assert (np.diff(path[:, TARGET:, 2]) < 0).all()
    later = blue.time[blue.exists][:, [TARGET, -1]] @ [-1, 1]
    assert ((path[:, -1, 2] < -14) | (later > 5.9 * blue.scale)).all()
    assert not blue.path[~blue.exists].any()


def test_nodes_lie_at_equal_steps_of_the_way(blue):
    bins, grades, _ = np.nonzero(blue.exists)
    length = blue.distance[bins] + BIN / 2
    length[bins == blue.distance.size - 1] = (blue.distance[-1] + blue.level.tee_throw) / 2
    path = blue.path[blue.exists].astype(float)
    up = path[..., 2] + blue.grade[grades, None] * path[..., 0] * length[:, None]
    flown = np.stack([path[..., 0] * length[:, None], path[..., 1] * length[:, None], up], -1)
    step = np.linalg.norm(np.diff(flown, axis=1), axis=2)[:, :TARGET]
    np.testing.assert_allclose(step / step.mean(1)[:, None], 1, atol=5e-3)
    # and what they take in time is what the disc's speed says
    time = np.diff(blue.time[blue.exists].astype(float), axis=1)[:, :TARGET]
    speed = blue.speed[blue.exists].astype(float)
    pace = (speed[:, 1 : TARGET + 1] + speed[:, :TARGET]) / 2
    np.testing.assert_allclose(step, time * pace, rtol=5e-3)


@pytest.mark.parametrize(("distance", "lowest", "highest"), [(61, 3.0, 4.6), (91, 3.7, 6.0)])
def test_usual_apexes_lie_in_the_range_designers_quote(every, distance, lowest, highest):
    """10 to 15 ft for 200 ft and 12 to 20 ft for 300 ft: lore, from memory."""
    for flights in every:
        if flights.level.tee_throw < distance + 10:
            continue
        for i in arcs_of(flights, height="usual", finish="straight"):
            assert lowest <= flights.apex[flights.bin_of(distance), LEVEL, i] <= highest


def test_each_finish_is_what_it_is_called(every):
    for flights in every:
        length = flights.distance[:, None, None] + BIN
        for i, arc in enumerate(flights.arcs):
            there = flights.exists[:, :, i]
            turn = flights.arrival_turn_deg[:, :, i][there]
            share = (flights.offset / length)[:, :, i][there]
            if arc.finish == "straight":
                assert (np.abs(turn) <= 25).all()
                assert (share <= 0.04).all()
            else:
                side = 1 if arc.finish == "left" else -1
                assert (side * turn >= 20).all()
                # it swings out to the other side first, never wider than the widest logged throw
                left = flights.path[:, :, i][there][:, : TARGET + 1, 1]
                assert (np.abs(left).argmax(1) > 0).all()
                widest = np.take_along_axis(left, np.abs(left).argmax(1)[:, None], 1)[:, 0]
                assert (side * widest < 0).all()
                assert (np.abs(widest) <= 20.3 / 90.9 + 1e-3).all()


def test_low_is_lower_and_wide_is_wider(every):
    for flights in every:
        for finish in FINISHES:
            (usual,) = arcs_of(flights, finish=finish, height="usual", wide=False)
            (low,) = arcs_of(flights, finish=finish, height="low")
            both = flights.exists[:, LEVEL, usual] & flights.exists[:, LEVEL, low]
            lower = flights.apex[both, LEVEL, usual] - flights.apex[both, LEVEL, low]
            assert (lower > -0.25).all()  # bringing both to their distance may cost as much
            assert lower.mean() > 0.1
            for wide in arcs_of(flights, finish=finish, wide=True):
                both = flights.exists[:, LEVEL, usual] & flights.exists[:, LEVEL, wide]
                wider = flights.offset[both, LEVEL, wide] - flights.offset[both, LEVEL, usual]
                assert (wider > -1).all()  # near the longest throw there is little choice
                assert wider.mean() > 1


def test_every_level_throws_its_tee_throw_straight_and_nearly_so_far_with_every_finish(every):
    for flights in every:
        straight = arcs_of(flights, finish="straight", height="usual")
        assert flights.exists[:-1, LEVEL, straight].all()
        assert flights.farthest[LEVEL, -1] == pytest.approx(flights.level.tee_throw, rel=0.01)
        curves = [i for i in range(len(flights.arcs)) if flights.arcs[i].finish != "straight"]
        reach = flights.distance < 0.85 * flights.level.tee_throw
        assert flights.exists[reach, LEVEL][:, curves].all()
        assert (flights.release_speed <= 1.021 * flights.level.speed).all()


def test_the_model_is_stretched_by_less_than_a_quarter(every):
    """13 to 17 % short of logged throws as published, Giljarhus et al. 2022."""
    scales = [flights.scale for flights in every]
    assert min(scales) > 0.95
    assert max(scales) < 1.26
    assert scales == sorted(scales)


def test_the_other_hand_or_grip_throws_the_mirror_image():
    right = table_of("red", grips="backhand")
    left = table_of("red", grips="backhand", hand="left")
    forehand = table_of("red", grips="forehand")
    twice = left.mirrored()
    for field in fields(right):
        value = getattr(right, field.name)
        if isinstance(value, np.ndarray):
            np.testing.assert_array_equal(value, getattr(twice, field.name))
            np.testing.assert_array_equal(getattr(forehand, field.name), getattr(left, field.name))
    names = [(a.finish, a.height, a.wide) for a in right.arcs]
    for i, (finish, height, wide) in enumerate(names):
        j = names.index(({"left": "right", "right": "left"}.get(finish, finish), height, wide))
        np.testing.assert_array_equal(left.path[:, :, i, :, 1], -right.path[:, :, j, :, 1])
        np.testing.assert_array_equal(left.path[:, :, i, :, 2], right.path[:, :, j, :, 2])
        np.testing.assert_array_equal(left.apex[:, :, i], right.apex[:, :, j])


def test_with_both_grips_left_and_right_are_the_same(blue):
    for height, wide in (("usual", False), ("low", False), ("usual", True)):
        (i,) = arcs_of(blue, finish="left", height=height, wide=wide)
        (j,) = arcs_of(blue, finish="right", height=height, wide=wide)
        np.testing.assert_array_equal(blue.exists[:, :, i], blue.exists[:, :, j])
        np.testing.assert_array_equal(blue.path[:, :, i] * [1, -1, 1], blue.path[:, :, j])
        thrown = blue.exists[:, :, i]
        np.testing.assert_array_equal(
            blue.release_mirrored[:, :, i][thrown], ~blue.release_mirrored[:, :, j][thrown]
        )


def test_with_one_grip_only_discs_that_turn_over_finish_right():
    flights = table_of("red", grips="backhand")
    assert not flights.release_mirrored.any()
    right = arcs_of(flights, finish="right")
    there = flights.exists[:, :, right]
    assert 0 < there.mean() < flights.exists[:, :, arcs_of(flights, finish="left")].mean()
    # they leave with the outer edge up, or with a disc that turns at once
    hyzer = flights.release_hyzer_deg[:, :, right][there]
    aim = flights.release_aim_deg[:, :, right][there]
    assert (aim > 0).all()
    assert np.median(hyzer) <= 0


@pytest.mark.parametrize("number", [0, 1, 2])
@pytest.mark.parametrize(("times", "share"), [(1, 0.125), (2, 0.25)])
def test_spread_says_where_throws_a_little_off_really_fly(every, number, times, share):
    """Flown anew with one and two standard deviations more and less of launch, speed and hyzer.

    What the table gets wrong at worst on the way to the target, as a share of how far the throw
    then is from the one aimed for: for nine throws in ten.
    """
    for flights in every:
        at = np.nonzero(flights.exists[:, LEVEL])
        at = at[0], np.full(at[0].size, LEVEL), at[1]
        throws = np.column_stack(
            [
                getattr(flights, f"release_{name}")[at]
                for name in ("speed", "launch_deg", "nose_deg", "hyzer_deg", "spin", "disc")
            ]
        ).astype(float)
        clock = flights.time[at].astype(float) / flights.scale
        aim = np.radians(flights.release_aim_deg[at].astype(float))[:, None]
        side = np.where(flights.release_mirrored[at], -1, 1)[:, None]

        def metres(throws, flights=flights, clock=clock, aim=aim, side=side):
            """Along the chord, to its left, and up."""
            where = repertoire.conditions(flights.discs, density=air_density(0, 15))
            states = np.empty((len(throws), NODES, 6))
            fly.positions(throws, where.tables, where.discs, where.air, 0.01, clock, states)
            x, y, z = np.moveaxis(states[:, : TARGET + 1, :3] * flights.scale, -1, 0)
            y = side * y
            return np.stack(
                [x * np.cos(aim) - y * np.sin(aim), x * np.sin(aim) + y * np.cos(aim), z], -1
            )

        length = np.hypot(*metres(throws)[:, TARGET, :2].T)
        unit = np.stack([length, length, np.ones_like(length)], -1)[:, None]
        path, spread = (a[at] for a in (flights.path, flights.spread[..., number, :, :]))
        wrong = []
        for sign in (-times, times):
            off = throws.copy()
            if number == 1:
                off[:, [fly.SPEED, fly.SPIN]] *= 1 + sign * flights.level.speed_sd
            elif number == 0:
                off[:, fly.LAUNCH] += sign * flights.level.height_sd_deg
            else:
                off[:, fly.HYZER] += sign * flights.level.hyzer_sd_deg
            real = metres(off)
            predicted = ((path + sign * spread) * unit)[:, : TARGET + 1]
            moved = np.linalg.norm(real - (path * unit)[:, : TARGET + 1], axis=2).max(1)
            wrong.append(np.linalg.norm(predicted - real, axis=2).max(1) / moved)
        assert np.quantile(np.concatenate(wrong), 0.9) < share


def test_as_many_throws_pass_a_gap_as_if_each_were_flown():
    """Launch, speed and hyzer drawn together: the table's sum against real flights, within 4 %.

    Gaps 6 m wide about the path aimed for, at half the way and at four fifths of it.
    """
    flights = table_of("white")
    where = repertoire.conditions(flights.discs, density=air_density(0, 15))
    draw, count = np.random.default_rng(0), 400
    for bin_ in (2, 6, 10):
        for arc in range(5):
            at = bin_, LEVEL, arc
            if not flights.exists[at]:
                continue
            thrown = [
                getattr(flights, f"release_{name}")[at]
                for name in ("speed", "launch_deg", "nose_deg", "hyzer_deg", "spin", "disc")
            ]
            throws = np.tile(np.array(thrown, float), (count, 1))
            z = draw.standard_normal((count, 3))
            throws[:, fly.LAUNCH] += z[:, 0] * flights.level.height_sd_deg
            throws[:, [fly.SPEED, fly.SPIN]] *= 1 + z[:, 1:2] * flights.level.speed_sd
            throws[:, fly.HYZER] += z[:, 2] * flights.level.hyzer_sd_deg
            clock = np.tile(flights.time[at].astype(float) / flights.scale, (count, 1))
            states = np.empty((count, NODES, 6))
            fly.positions(throws, where.tables, where.discs, where.air, 0.02, clock, states)
            aim = np.radians(float(flights.release_aim_deg[at]))
            x, y = states[..., 0], states[..., 1] * (-1 if flights.release_mirrored[at] else 1)
            length = (flights.distance[bin_] + BIN / 2) / flights.scale
            real = np.stack([x * np.cos(aim) - y * np.sin(aim), x * np.sin(aim) + y * np.cos(aim)])
            predicted = flights.path[at] + np.einsum("nk,kij->nij", z, flights.spread[at])
            predicted = np.moveaxis(predicted[..., :2], -1, 0) * length
            for share in (0.5, 0.8):
                middle = np.interp(share, flights.path[at][:, 0], flights.path[at][:, 1]) * length
                passed = []
                for along, left in (real, predicted):
                    off = [
                        np.interp(share * length, a, b) - middle
                        for a, b in zip(along[:, :TARGET], left[:, :TARGET], strict=True)
                    ]
                    passed.append((np.abs(off) < 3 / flights.scale).mean())
                assert passed[1] == pytest.approx(passed[0], abs=0.04)


@pytest.mark.parametrize(
    ("name", "feet", "width"),
    [("gold", 300, 6.2), ("blue", 260, 6.7), ("white", 220, 7.9), ("red", 180, 8.3),
     ("green", 140, 8.7)],
)  # fmt: skip
def test_flown_throws_stray_as_far_as_fair_gaps_ask(every, name, feet, width):
    """W = 1.935 sd passes two thirds of a normal spread; the widths lie within 15 to 40 ft.

    Flown anew with errors of launch, speed, hyzer and aim together, on the longest straight throw.
    """
    (f,) = (one for one in every if one.level.name == name)
    gap, arc = feet * 0.3048, arcs_of(f, finish="straight", height="usual")[0]
    b = np.flatnonzero(f.exists[:, LEVEL, arc])[-1]
    at, length = (b, LEVEL, arc), min(f.distance[b] + BIN / 2, f.level.tee_throw)
    names = ("speed", "launch_deg", "nose_deg", "hyzer_deg", "spin", "disc")
    thrown = [float(getattr(f, f"release_{n}")[at]) for n in names]
    z = np.random.default_rng(3).standard_normal((2000, 4)).clip(-3, 3)
    throws = np.tile(thrown, (len(z), 1))
    throws[:, fly.LAUNCH] += z[:, 0] * f.level.height_sd_deg
    throws[:, [fly.SPEED, fly.SPIN]] *= 1 + z[:, 1:2] * f.level.speed_sd
    throws[:, fly.HYZER] += z[:, 2] * f.level.hyzer_sd_deg
    where = repertoire.conditions(f.discs, density=air_density(0, 15))
    clock = np.tile(f.time[at].astype(float) / f.scale, (len(z), 1))
    states = np.empty((len(z), NODES, 6))
    fly.positions(throws, where.tables, where.discs, where.air, 0.02, clock, states)
    turn = np.radians(float(f.release_aim_deg[at])) + np.radians(f.aim_sd_deg * z[:, 3:])
    x, y = states[..., 0], states[..., 1] * (-1 if f.release_mirrored[at] else 1)
    along, left = x * np.cos(turn) - y * np.sin(turn), x * np.sin(turn) + y * np.cos(turn)
    aside = f.scale * np.array(
        [np.interp(gap / f.scale, a[:70], b[:70]) for a, b in zip(along, left, strict=True)]
    )
    middle = np.median(aside)
    assert (np.abs(aside - middle) < width / 2).mean() == pytest.approx(2 / 3, abs=0.05)
    assert f.strays(gap, length) == pytest.approx(width / 1.935, rel=0.03)
    assert 0 < f.aim_sd_deg < f.level.lateral_sd_deg


def test_air_thins_with_height_and_heat_and_the_disc_flies_otherwise():
    low, high = (
        fly_throws((level_named("red"),), FlightSettings(), elevation=z).levels[0]
        for z in (0.0, 2000.0)
    )
    assert low.scale == high.scale  # what a level throws in standard air stays
    assert low.farthest[LEVEL, -1] != high.farthest[LEVEL, -1]


def test_wind_along_the_throws_changes_them_and_not_what_the_level_throws_in_still_air():
    still, tail, head = (table_of("red", tail_wind_mps=w) for w in (0.0, 4.0, -4.0))
    assert still.scale == tail.scale == head.scale
    assert (tail.farthest[LEVEL] != still.farthest[LEVEL]).all()
    assert (head.farthest[LEVEL] != still.farthest[LEVEL]).all()
    for windy in (tail, head):
        assert windy.exists[: windy.distance.size // 2, LEVEL].all()


def test_classes_of_length_and_grade(blue):
    assert blue.bin_of(np.array([5.0, 20.0, 24.9, 25.0, 500.0])).tolist() == [0, 0, 0, 1, 16]
    slopes = blue.grade_of(np.full(5, 100.0), np.array([-40.0, -8.0, 2.4, 2.6, 50.0]))
    assert slopes.tolist() == [0, 1, LEVEL, LEVEL + 1, GRADE.size - 1]


def test_climbs_play_longer_and_drops_shorter(every):
    for flights in every:
        length = np.full(5, 0.7 * flights.level.tee_throw)
        rise = np.array([-0.1, -0.05, 0.0, 0.05, 0.1]) * length
        plays = flights.plays_like(length, rise)
        assert plays[2] == pytest.approx(length[2], rel=1e-6)
        assert (np.diff(plays) > 0).all()
        # 1.4 to 2.3 m for each metre with the same release, worked with the published tables;
        # players also change the release. Designers count 3.
        each = (plays - length)[[0, 1, 3, 4]] / rise[[0, 1, 3, 4]]
        assert (each > 0.7).all()
        assert (each < 4).all()


def test_skid_of_a_disc_that_lands_flat_and_of_one_that_digs_in():
    # mechanics: sliding from 10 m/s with friction 0.7 takes v2 / 2 mu g
    assert skid(np.array(10.0), np.array(0.0)) == pytest.approx(100 / (2 * 0.7 * 9.81))
    steep = skid(np.full(4, 10.0), np.array([10.0, 20.0, 40.0, 60.0]))
    assert (np.diff(steep) < 0).all()
    assert steep[-1] == 0


def test_elevation_is_the_median_to_ten_metres():
    surface = np.full((40, 40), 1234.0, np.float32)
    surface[0] = np.nan
    assert elevation_of(surface) == 1230.0
    assert elevation_of(np.full((8, 8), np.nan, np.float32)) == 0.0


def test_tables_are_small(every):
    for flights in every:
        arrays = [getattr(flights, f.name) for f in fields(flights)]
        assert sum(a.nbytes for a in arrays if isinstance(a, np.ndarray)) < 12e6
        assert flights.path.shape[3] == NODES


def test_a_speed_that_does_not_go_with_the_tee_throw_is_refused():
    slow = replace(level_named("gold"), speed=12.0)
    with pytest.raises(InputError, match="released at 12 m/s flies some"):
        fly_throws((slow,), FlightSettings())


@pytest.mark.parametrize(
    ("name", "value", "limit"),
    [
        ("temperature_c", 70, "50"),
        ("temperature_c", -60, "-30"),
        ("tail_wind_mps", 22, "15"),
        ("tail_wind_mps", -22, "-15"),
        ("wind_height", 0, "1"),
        ("apex_margin", 0.9, "1"),
        ("release_height", 4, "2.5"),
        ("discs", ["putter"], "'dd', 'fd', 'co' or 'cu'"),
        ("discs", [], "at least one of dd, fd, co, cu"),
        ("grips", "thumber", "'both', 'backhand' or 'forehand'"),
    ],
)
def test_settings_beyond_what_is_physical_are_refused_with_the_range(name, value, limit):
    with pytest.raises(ValidationError) as caught:
        FlightSettings(**{name: value})
    (fault,) = caught.value.errors()
    assert fault["loc"][0] == name
    assert limit in fault["msg"]


def test_any_number_of_threads_gives_the_same_table():
    tables = []
    for threads in (1, 2):
        flight_module._throws_of.cache_clear()
        made = fly_throws((level_named("green"),), FlightSettings(), threads=threads)
        tables.append(made.levels[0])
    one, two = tables
    assert one is not two
    for field in fields(one):
        value = getattr(one, field.name)
        if isinstance(value, np.ndarray):
            np.testing.assert_array_equal(value, getattr(two, field.name))
