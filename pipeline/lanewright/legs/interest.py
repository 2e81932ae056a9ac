"""What makes a throw interesting: things that designers name, each 0 to 1, and their sum.

Every figure that starts or completes a component is ours, common practice without a source, unless
a source stands beside it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from lanewright.base.arrays import Flags, Floats
from lanewright.kernels import march
from lanewright.scene import Scene
from lanewright.settings.judge import InterestSettings

COMPONENTS = ("framed", "tunnel", "shaped", "carry", "drop", "green", "risk", "view")
COLUMNS = tuple(f"interest_{name}" for name in COMPONENTS)
UNSEEN = ("interest_framed", "interest_tunnel", "interest_shaped")
"""Of these, what only lidar can tell."""

ASIDE = (2.0, 4.0, 6.0, 8.0, 10.0, 12.0)  # m to each side where trees are looked for
WALLS = ((6.0, 15.0), (1.0, 0.0))  # m from the way; wooded fairways are up to 12.2 m wide (PDGA,
# Course Design Elements), 6.1 to each side
ONE_SIDE = 0.25  # of a frame is what trees on one side alone make
BARRED = ((0.0, 0.15), (0.0, 1.0))  # share of the flight without its curve that growth bars
CARRY = ((0.1, 0.6), (0.0, 1.0))  # of the longest the level should be asked for
HOLLOW = ((2.0, 6.0), (0.0, 1.0))  # m from the straight between tee and end down to the ground
DROP = ((2.0, 8.0), (0.0, 1.0))  # m; the ground of most meadows falls 2 m within a throw
FALL = ((0.75, 3.0), (0.0, 1.0))  # m that the ground falls within `GREEN` of the end
RISK = ((0.02, 0.15), (0.0, 1.0))  # share of throws that end in water or on ground to roll on
STANDS_OVER = ((0.5, 4.0), (0.0, 1.0))  # m from the mean ground around up to the tee
GREEN = (6.0, 10.0, 15.0)  # m from the end where the ground is looked at
RAYS = 16


@dataclass(frozen=True)
class Ways:
    """Where legs run; (legs, points), and (legs,) below.

    Attributes
    ----------
    x, y, z
        Points of the path aimed for.
    roofed
        Whether canopy is over it there.
    bent
        Whether the flight finishes left or right.
    water, most_carry
        Longest flight over open water, and the longest the level should be asked for [m].
    trouble
        Share of throws that end in water or on ground steep enough to roll.
    """

    x: Floats
    y: Floats
    z: Floats
    roofed: Flags
    bent: Flags
    water: Floats
    most_carry: float
    trouble: Floats


def components(scene: Scene, ways: Ways) -> dict[str, Floats]:
    """Columns `COLUMNS` of legs, 0-1 each (legs,)."""
    both = _framed(scene, ways)
    ground = scene.ground.astype(np.float64)
    at = scene.grid.nearest(ways.x, ways.y)
    tee, end = ground[at[0][:, 0], at[1][:, 0]], ground[at[0][:, -1], at[1][:, -1]]
    share = np.linspace(0, 1, ways.x.shape[1])
    straight = tee[:, None] * (1 - share) + end[:, None] * share
    hollow = np.nan_to_num(straight - ground[at]).max(1)
    carry = np.maximum(
        np.interp(ways.water / max(ways.most_carry, 1.0), *CARRY), np.interp(hollow, *HOLLOW)
    )
    over = tee - scene.ground_around[at[0][:, 0], at[1][:, 0]]
    values = (
        both.mean(1),
        (both * ways.roofed).mean(1),
        np.where(ways.bent, np.interp(_barred(scene, ways), *BARRED), 0.0),
        carry,
        np.interp(np.nan_to_num(tee - end), *DROP),
        np.interp(_falls(scene, ways, end), *FALL),
        np.interp(ways.trouble, *RISK),
        np.interp(np.nan_to_num(over), *STANDS_OVER),
    )
    return dict(zip(COLUMNS, values, strict=True))


def interest(parts: Mapping[str, Floats], weights: InterestSettings) -> Floats:
    """Interest of legs or holes, 0-1: what a plain one has, and what each thing adds.

    Each thing takes its weight, times how full it is, off what is missing to 1: interest rises with
    every component and is never beyond 1. A component of NaN (nobody knows) adds nothing.

    Examples
    --------
    >>> none = InterestSettings(plain=0.5, drop=0.4, **dict.fromkeys(
    ...     ("framed", "tunnel", "shaped", "carry", "green", "risk", "view"), 0.0))
    >>> float(interest({name: np.ones(1) for name in COLUMNS}, none)[0])
    0.7
    """
    missing = np.asarray(1.0 - weights.plain)
    for name, column in zip(COMPONENTS, COLUMNS, strict=True):
        missing = missing * (1 - getattr(weights, name) * np.nan_to_num(parts[column]))
    return np.asarray(1 - missing)


def _framed(scene: Scene, ways: Ways) -> Floats:
    """How well trees frame each point (legs, points): the farther side, a little of the nearer."""
    dx, dy = ways.x[:, -1:] - ways.x[:, :1], ways.y[:, -1:] - ways.y[:, :1]
    long = np.hypot(dx, dy)
    left_x, left_y = -dy / long, dx / long
    sides = []
    for sign in (1, -1):
        wall = np.zeros(ways.x.shape)
        for off in ASIDE:
            at = scene.grid.nearest(ways.x + sign * off * left_x, ways.y + sign * off * left_y)
            wall = np.maximum(wall, scene.stands[at] * np.interp(off, *WALLS))
        sides.append(wall)
    least, most = np.minimum(*sides), np.maximum(*sides)
    return np.asarray((1 - ONE_SIDE) * least + ONE_SIDE * most)


def _barred(scene: Scene, ways: Ways) -> Floats:
    """Share of the same flights without their curve that growth bars (legs,)."""
    share = np.linspace(0, 1, ways.x.shape[1])
    x = ways.x[:, :1] + (ways.x[:, -1:] - ways.x[:, :1]) * share
    y = ways.y[:, :1] + (ways.y[:, -1:] - ways.y[:, :1]) * share
    at = scene.grid.nearest(x, y)
    layer = np.floor(np.nan_to_num(ways.z - scene.ground[at], nan=1e3) / march.LAYER)
    inside = (layer >= 0) & (layer < march.LAYERS)
    bit = np.uint64(1) << np.clip(layer, 0, march.LAYERS - 1).astype(np.uint64)
    return np.asarray((((scene.blocked[at] & bit) != 0) & inside).mean(1))


def _falls(scene: Scene, ways: Ways, end: Floats) -> Floats:
    """How far the ground falls beside or beyond the ends at most [m] (legs,)."""
    last_x, last_y = ways.x[:, -1], ways.y[:, -1]
    came = np.arctan2(last_y - ways.y[:, -6], last_x - ways.x[:, -6])
    most = np.zeros(len(end))
    for turn in 2 * np.pi * np.arange(RAYS) / RAYS:
        if np.cos(turn) < -0.5:  # back the way it came
            continue
        for far in GREEN:
            at = scene.grid.nearest(
                last_x + far * np.cos(came + turn), last_y + far * np.sin(came + turn)
            )
            most = np.fmax(most, end - scene.ground[at])
    return np.asarray(most)
