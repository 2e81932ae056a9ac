"""The plan of a hole: seen from above with the throw from left to right."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup
from scipy import ndimage
from skimage.measure import find_contours

from lanewright.base.arrays import Floats
from lanewright.publish.report.drawing import dots, path, path_of
from lanewright.publish.report.findings import Findings
from lanewright.publish.report.sideview import BEYOND, WIDE
from lanewright.publish.report.spread import Spread
from lanewright.publish.report.subjects import Row, Subject
from lanewright.publish.report.words import Units

_ASIDE = 16.0  # m shown to each side at the least
_CIRCLE = 10.0  # m around a target within which a throw counts as a putt (PDGA rules, 806.01)


@dataclass(frozen=True)
class PlanView:
    """Drawn in metres from the tee, along the line to the basket and to its right.

    Attributes
    ----------
    view
        Left, top, width, height.
    turn
        Matrix that brings the map's metres here, as six numbers of an SVG transform.
    north
        Direction of north on the drawing, degrees clockwise from up.
    contours, step
        Lines of equal height, and what lies between two of them.
    band, core
        Where nine of ten throws fly, and where half of them do.
    fails
        x, y and what most throws touch there that fail.
    rests
        Ellipses that two of three throws come to rest in: x, y, half length, half width, turn.
    """

    view: tuple[float, float, float, float]
    turn: str
    north: float
    contours: Markup
    step: str
    wet: Markup
    water: Markup
    trees: Markup
    flights: tuple[Markup, ...]
    places: tuple[tuple[float, float, str], ...]
    pinch: tuple[float, float, float, float, str] | None
    cuts: tuple[tuple[Markup, str], ...]
    band: Markup
    core: Markup
    fails: tuple[tuple[float, float, str], ...]
    rests: tuple[tuple[float, float, float, float, float], ...]
    circle: float
    told: str


def plan_view(
    found: Findings,
    subject: Subject,
    spreads: list[Spread | None],
    work: list[Row],
    outlines: list[Any],
    units: Units,
) -> PlanView:
    """Draw a hole from above."""
    grid = found.grid
    tee = np.array([subject.tee[0] - grid.left, grid.top - subject.tee[1]])
    end = np.array([subject.end[0] - grid.left, grid.top - subject.end[1]])
    span = float(np.hypot(*(end - tee)))
    ahead = (end - tee) / span if span > 1 else np.array([1.0, 0.0])
    right = np.array([-ahead[1], ahead[0]])

    def here(x: Any, y: Any) -> Floats:
        """Coordinates on the plan of places on the land."""
        m = np.column_stack([np.asarray(x) - grid.left, grid.top - np.asarray(y)]) - tee
        return np.column_stack([m @ ahead, m @ right])

    def moved(shape: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(shape, lambda xy: here(xy[:, 0], xy[:, 1]))

    flown = [here(p[:, 0], p[:, 1]) for p in subject.paths]
    spread_out = [
        np.column_stack([s.along, np.abs(s.left).max(0)]) for s in spreads if s is not None
    ]
    all_points = np.vstack(flown)
    widest = max((float(np.nanmax(s[:, 1])) for s in spread_out), default=0.0)
    x0, x1 = all_points[:, 0].min() - BEYOND, all_points[:, 0].max() + BEYOND
    room = max(_ASIDE, min(widest + 4, 30.0))
    half_low = min(-room, float(all_points[:, 1].min()) - 8)
    half_high = max(room, float(all_points[:, 1].max()) + 8)
    view = tuple(round(float(v), 1) for v in (x0, half_low, x1 - x0, half_high - half_low))
    frame = shapely.box(view[0], view[1], view[0] + view[2], view[1] + view[3])

    def clipped(name: str) -> Markup:
        rows = found.layer(name)
        if rows is None:
            return Markup("")
        around = shapely.Point(*subject.tee[:2])
        near = rows[shapely.dwithin(rows.geometry.values, around, 3 * span + 60)]
        shapes = [moved(g).intersection(frame) for g in near.geometry]
        return path_of([shapely.transform(s, _flip) for s in shapes if not s.is_empty], 0, 0, 0.2)

    contours, step = _contours(found, view, tee, ahead, right)
    trees = Markup("")
    if (stems := found.layer("trees")) is not None:
        at = here(stems.geometry.x, stems.geometry.y)
        within = (
            (at[:, 0] > view[0]) & (at[:, 0] < view[0] + view[2])
            & (at[:, 1] > view[1]) & (at[:, 1] < view[1] + view[3])
        )  # fmt: skip
        trees = dots(at[within] * (1, -1), 0, 0)
    kinds = ["tee", *["landing"] * (len(flown) - 1), "basket"]
    spots = [flown[0][0], *(f[-1] for f in flown)]
    a, b = ahead, right
    matrix = (a[0], b[0], a[1], b[1], -float(tee @ a), -float(tee @ b))
    return PlanView(
        view,  # type: ignore[arg-type]
        " ".join(f"{v:.5g}" if i < 4 else f"{v:.2f}" for i, v in enumerate(matrix)),
        round(math.degrees(math.atan2(-a[1], b[1])), 1),
        contours,
        units.length(step, 0 if step >= 1 else 1),
        clipped("wet_ground"),
        clipped("water"),
        trees,
        tuple(Markup(path(f)) for f in flown),
        tuple(
            (round(float(p[0]), 1), round(float(p[1]), 1), k)
            for p, k in zip(spots, kinds, strict=True)
        ),
        _pinch(subject, flown, units),
        tuple(
            (path_of([shapely.transform(moved(g), _flip)], 0, 0, 0.1), str(row["action"]))
            for row, g in zip(work, outlines, strict=True)
        ),
        _band(subject, spreads, here, 0),
        _band(subject, spreads, here, 1),
        tuple(_fails(subject, here)),
        tuple(_rests(subject, here, ahead)),
        _CIRCLE,
        _told(subject, units),
    )


def _band(subject: Subject, spreads: list[Spread | None], here: Any, edge: int) -> Markup:
    """Outline between the outer (0) or the inner (1) edges of each leg's throws."""
    parts = []
    for flown, spread in zip(subject.paths, spreads, strict=True):
        if spread is None:
            continue
        chord = flown[-1, :2] - flown[0, :2]
        ahead = chord / max(float(np.hypot(*chord)), 1e-9)
        across = np.array([-ahead[1], ahead[0]])
        along = np.r_[spread.along, spread.along[::-1]]
        left = np.r_[spread.left[edge], spread.left[-1 - edge][::-1]]
        outline = flown[0, :2] + along[:, None] * ahead + left[:, None] * across
        parts.append(path(here(outline[:, 0], outline[:, 1]), closed=True))
    return Markup("".join(parts))


def _fails(subject: Subject, here: Any) -> Iterator[tuple[float, float, str]]:
    for flown, leg in zip(subject.paths, subject.legs, strict=True):
        if not leg.get("fail_on") or leg.get("fail_at_m") is None:
            continue
        chord = flown[-1, :2] - flown[0, :2]
        ahead = chord / max(float(np.hypot(*chord)), 1e-9)
        side = float(leg.get("fail_side_m") or 0.0)
        x, y = flown[0, :2] + leg["fail_at_m"] * ahead + side * np.array([-ahead[1], ahead[0]])
        spot = here([x], [y])[0]
        yield round(float(spot[0]), 1), round(float(spot[1]), 1), str(leg["fail_on"])


def _rests(
    subject: Subject, here: Any, ahead: Floats
) -> Iterator[tuple[float, float, float, float, float]]:
    """Landing ellipses of the legs, turned into the plan."""
    for flown, leg in zip(subject.paths, subject.legs, strict=True):
        if leg.get("landing_long_m") is None or leg.get("landing_bearing_deg") is None:
            continue
        chord = flown[-1, :2] - flown[0, :2]
        along = chord / max(float(np.hypot(*chord)), 1e-9)
        x, y = flown[-1, :2] + along * float(leg.get("landing_past_m") or 0.0)
        spot = here([x], [y])[0]
        bearing = math.radians(leg["landing_bearing_deg"])
        # Direction of the long axis on the map, whose y runs down, then on the plan.
        axis = np.array([math.sin(bearing), -math.cos(bearing)])
        turn = math.degrees(math.atan2(axis @ np.array([-ahead[1], ahead[0]]), axis @ ahead))
        yield (
            round(float(spot[0]), 1), round(float(spot[1]), 1),
            round(leg["landing_long_m"] / 2, 2), round(leg["landing_wide_m"] / 2, 2),
            round(turn, 1),
        )  # fmt: skip


def _flip(xy: Floats) -> Floats:
    """Plans run down the page; what is drawn by `path_of` runs up."""
    return xy * (1, -1)


def _contours(
    found: Findings, view: Any, tee: Floats, ahead: Floats, right: Floats
) -> tuple[Markup, float]:
    """Lines of equal height, a step apart that keeps them readable."""
    # Every metre of the plan, smoothed over two: the grain of lidar ground is no landform.
    xs = np.arange(view[0], view[0] + view[2] + 1.0, 1.0)
    ys = np.arange(view[1], view[1] + view[3] + 1.0, 1.0)
    px, py = np.meshgrid(xs, ys)
    map_x = tee[0] + px * ahead[0] + py * right[0]
    map_y = tee[1] + px * ahead[1] + py * right[1]
    cell = found.grid.cell
    row = np.clip((map_y / cell).astype(int), 0, found.grid.rows - 1)
    col = np.clip((map_x / cell).astype(int), 0, found.grid.cols - 1)
    ground = np.asarray(found.rasters["ground"][row, col], float)
    if not np.isfinite(ground).any():
        return Markup(""), 1.0
    ground = np.where(np.isfinite(ground), ground, np.nanmean(ground))
    ground = ndimage.gaussian_filter(ground, 2.0)
    relief = float(ground.max() - ground.min())
    step = next((s for s in (0.5, 1.0, 2.0, 5.0) if relief / s <= 14), 10.0)
    parts = []
    for level in np.arange(math.ceil(ground.min() / step) * step, ground.max(), step):
        trace: Any = find_contours
        for line in trace(ground, level):
            thin = shapely.simplify(shapely.LineString(line[:, ::-1] + (view[0], view[1])), 0.3)
            parts.append(path(shapely.get_coordinates(thin)))
    return Markup("".join(parts)), step


def _pinch(
    subject: Subject, flown: list[Floats], units: Units
) -> tuple[float, float, float, float, str] | None:
    """Ends of a bar across the flight as wide as its narrowest place."""
    width, at = subject.row.get("pinch_width_m"), subject.row.get("pinch_at_m")
    if width is None or at is None or width >= WIDE:
        return None
    points = np.vstack(flown)
    run = np.r_[0.0, np.cumsum(np.hypot(*np.diff(points, axis=0).T))]
    i = int(np.clip(np.searchsorted(run, at), 1, len(points) - 1))
    heading = points[i] - points[i - 1]
    size = float(np.hypot(*heading))
    if size == 0:
        return None
    across = np.array([-heading[1], heading[0]]) / size * min(width, 2 * _ASIDE) / 2
    a, b = points[i] + across, points[i] - across
    return (*(round(float(v), 1) for v in (*a, *b)), units.length(width, 1))  # type: ignore[return-value]


def _told(subject: Subject, units: Units) -> str:
    legs = len(subject.legs)
    way = "in one throw" if legs == 1 else f"in {legs} throws through landing zones"
    return f"Plan of {subject.title}: {units.length(subject.length)} {way}, over the canopy."
