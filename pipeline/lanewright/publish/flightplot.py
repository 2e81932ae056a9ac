"""Picture of the flight table: what each level's throws look like from above and from the side."""

from __future__ import annotations

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from numpy.typing import ArrayLike

from lanewright.base.arrays import Floats
from lanewright.base.rows import Row
from lanewright.base.units import FOOT
from lanewright.flight.flight import TARGET, Arc, Flights, LevelFlights

SHARES = (0.4, 0.7, 1.0)
"""Distances shown, as shares of the tee throw."""
TALLER = 3.0
"""How much taller heights are drawn than distances."""

COLOURS = {"straight": "#222222", "left": "#0072b2", "right": "#d55e00"}
"""Palette of Okabe and Ito (2008, from memory), apart for colour-blind eyes."""
GROUND, BAND = "#8a8a8a", "#e3e3e3"

_WIDTH = 10.0  # inches


def flight_figure(flights: Flights) -> Figure:
    """Throws of each level at a few distances on level ground, from above and from the side.

    One row per level; feet and metres. The grey band holds two thirds of the throws aimed along
    the longest straight one.
    """
    longest = max(level.level.tee_throw for level in flights.levels) + 6
    widest = max(_swing(level) for level in flights.levels) + 3
    highest = max(float(level.apex[:, _flat(level)].max()) for level in flights.levels) + 1
    per_metre = (_WIDTH / 2 - 0.75) / longest
    plan, side = 2 * widest * per_metre, highest * TALLER * per_metre
    row = max(plan, side) + 0.95
    figure = Figure(figsize=(_WIDTH, row * len(flights.levels) + 0.55), layout=None)
    total = figure.get_figheight()
    for i, level in enumerate(flights.levels):
        bottom = total - 0.2 - (i + 1) * row + 0.5
        for j, (height, draw) in enumerate(((plan, _from_above), (side, _from_the_side))):
            axes = figure.add_axes(
                (
                    (0.55 + j * _WIDTH / 2) / _WIDTH,
                    bottom / total,
                    longest * per_metre / _WIDTH,
                    height / total,
                )
            )
            axes.set_xlim(0, longest)
            draw(axes, level)
            _ruled(axes)
            if j == 0:
                axes.set_ylim(-widest, widest)
            else:
                axes.set_ylim(0, highest)
    figure.legend(
        handles=_key(),
        loc="lower center",
        ncols=6,
        frameon=False,
        fontsize=8,
        bbox_to_anchor=(0.5, 0.0),
    )
    return figure


def _flat(level: LevelFlights) -> int:
    return int(np.abs(level.grade).argmin())


def _swing(level: LevelFlights) -> float:
    return float(level.offset[:, _flat(level)].max())


def _shown(level: LevelFlights, arc: int) -> list[int]:
    """Bins to draw: the nearest there are to each share of the tee throw."""
    there = np.flatnonzero(level.exists[:, _flat(level), arc])
    middle = _lengths(level)
    wanted = np.array(SHARES) * level.level.tee_throw
    return sorted({int(there[np.abs(middle[there] - w).argmin()]) for w in wanted if there.size})


def _lengths(level: LevelFlights) -> Floats:
    """Length of the throws of each bin [m]."""
    upper = np.append(level.distance[1:], level.level.tee_throw)
    return np.asarray((level.distance + upper) / 2)


def _paths(level: LevelFlights) -> list[tuple[Arc, Floats]]:
    """Shapes, and metres along, to the left, and over level ground (nodes, 3)."""
    out = []
    for a, arc in enumerate(level.arcs):
        for b in _shown(level, a):
            length = _lengths(level)[b]
            path = level.path[b, _flat(level), a].astype(float) * [length, length, 1]
            path[:, 2] += level.release
            landed = np.flatnonzero(path[:, 2] <= 0)
            end = landed[0] + 1 if landed.size else TARGET + 1
            out.append((arc, path[:end]))
    return out


def _look(arc: Arc) -> Row:
    return {
        "color": COLOURS[arc.finish],
        "lw": 0.9 if arc.wide else 1.3,
        "ls": (0, (4, 1.5)) if arc.height == "low" else "-",
        "alpha": 0.75 if arc.wide else 1.0,
        "solid_capstyle": "round",
    }


def _from_above(axes: Axes, level: LevelFlights) -> None:
    middle, left, _ = _band(level)
    axes.fill_between(middle[:, 0], middle[:, 1] - left, middle[:, 1] + left, color=BAND, lw=0)
    for arc, path in _paths(level):
        axes.plot(path[:, 0], path[:, 1], **_look(arc))
        axes.plot(*path[-1, :2], "o", ms=2.2, color=COLOURS[arc.finish])
    player = level.level
    axes.set_title(
        f"{player.name.capitalize()}: {player.tee_throw:.0f} m ({player.tee_throw / FOOT:.0f} ft) "
        f"at {player.speed:.1f} m/s, from above",
        fontsize=9,
        loc="left",
        pad=13,
    )


def _from_the_side(axes: Axes, level: LevelFlights) -> None:
    middle, _, up = _band(level)
    axes.fill_between(
        middle[:, 0], np.maximum(middle[:, 2] - up, 0), middle[:, 2] + up, color=BAND, lw=0
    )
    for arc, path in _paths(level):
        if arc.finish != "right":  # as high as the left ones, mostly
            axes.plot(path[:, 0], np.maximum(path[:, 2], 0), **_look(arc))
            axes.plot(path[-1, 0], 0, "o", ms=2.2, color=COLOURS[arc.finish], clip_on=False)
    axes.set_title(
        f"from the side, heights {TALLER:.0f} times as tall", fontsize=9, loc="left", pad=13
    )


def _band(level: LevelFlights) -> tuple[Floats, Floats, Floats]:
    """Longest straight throw [m], and one standard deviation to the side and in height there."""
    arc = next(i for i, a in enumerate(level.arcs) if a.finish == "straight")
    b, g = _shown(level, arc)[-1], _flat(level)
    length = _lengths(level)[b]
    unit = np.array([length, length, 1.0])
    path = level.path[b, g, arc, : TARGET + 1].astype(float) * unit
    spread = level.spread[b, g, arc, :, : TARGET + 1].astype(float) * unit
    path[:, 2] += level.release
    # At one place along the chord, so what comes later or earlier counts by the slope of the path
    slope = np.gradient(path[:, 1:], path[:, 0], axis=0)
    aside, up = (spread[..., k] - slope[:, k - 1] * spread[..., 0] for k in (1, 2))
    aim = path[:, 0] * np.tan(np.radians(level.aim_sd_deg))
    return path, np.sqrt(aim**2 + (aside**2).sum(0)), np.sqrt((up**2).sum(0))


def _in_feet(metres: ArrayLike) -> ArrayLike:
    return np.asarray(metres, float) / FOOT


def _in_metres(feet: ArrayLike) -> ArrayLike:
    return np.asarray(feet, float) * FOOT


def _ruled(axes: Axes) -> None:
    """Metres below and to the left, feet above and to the right."""
    axes.spines[["top", "right"]].set_color(GROUND)
    axes.tick_params(labelsize=7, length=2.5, pad=2)
    axes.grid(color="#eeeeee", lw=0.5)
    axes.set_axisbelow(True)
    axes.set_xlabel("m", fontsize=7, labelpad=1)
    across = axes.secondary_xaxis("top", functions=(_in_feet, _in_metres))
    up = axes.secondary_yaxis("right", functions=(_in_feet, _in_metres))
    for feet in (across, up):
        feet.tick_params(labelsize=7, length=2.5, pad=2, colors=GROUND)
    across.set_xlabel("ft", fontsize=7, labelpad=1, color=GROUND)


def _key() -> list[Artist]:
    return [
        *(
            Line2D([], [], **_look(Arc(finish, "usual")), label=f"finishes {finish}")
            for finish in ("left", "straight", "right")
        ),
        Line2D([], [], **_look(Arc("straight", "low")), label="low"),
        Line2D([], [], **_look(Arc("left", "usual", wide=True)), label="wide"),
        Patch(color=BAND, label="two thirds of throws"),
    ]
