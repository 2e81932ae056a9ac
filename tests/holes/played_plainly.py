"""A hole thrown over and over, one throw after another: the slow twin of `holes.expected`."""

import math


def round_of(throws, level, rng):
    """Count of throws of one play; `throws` as `expected.Flown`."""
    count = 0
    for number, flown in enumerate(throws, start=1):
        last = number == len(throws)
        count += flown.throws
        while rng.random() < flown.wet:
            count += 2  # the penalty, and the throw once more
        if rng.random() < flown.lost:
            count += 1
        rest = rest_of(flown, rng)
        if rng.random() >= flown.clear:
            short = flown.length - flown.drops_at
            if last:
                rest = max(rest, short)
            else:
                count += max(math.ceil(short / level.fairway_throw), 1)
        if last:
            count += finish_from(rest, level, rng)
    return count


def rest_of(flown, rng):
    """Where a clear throw rests: a normal spread whose ellipse of two thirds is given."""
    per_axis = 2 * math.sqrt(-2 * math.log(1 / 3))
    along = rng.normal(0, flown.long / per_axis)
    across = rng.normal(0, flown.wide / per_axis)
    turn = math.radians(flown.turn)
    return math.hypot(along + flown.past * math.cos(turn), across - flown.past * math.sin(turn))


def finish_from(distance, level, rng):
    """Throws from a distance with nothing in the way."""
    count = 0
    while True:
        count += 1
        half = level.close_range / 4
        if rng.random() < 1 / (1 + (distance / half) ** 3):
            return count
        thrown = min(distance, level.fairway_throw)
        aside, along = rng.normal(0, 0.0835 * thrown, 2)
        distance = math.hypot(distance - thrown, math.hypot(aside, along))
