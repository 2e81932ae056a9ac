"""What the designer asks for, read from `own_holes`, `designer`, `arrival` and `layout.paths`."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer

from lanewright.base.errors import InputError, together
from lanewright.base.rows import Row
from lanewright.land.plan import Plan
from lanewright.layout.designer import AREA_WISHES, FORMER, WISHES, Drawn, Hand
from lanewright.settings.config import Config
from lanewright.sources.opening import layer_names, read_layer
from lanewright.sources.vectors import (
    LONGEST_NAME,
    as_hole,
    enclosed,
    in_working,
    name_of,
    named_well,
    near_enough,
    parts,
    placed,
    read_vectors,
    too_many,
)

HOLES, AREAS = "designer_holes", "designer_areas"
MOVED = 0.5  # m that a line must differ by to count as moved
AROUND = 5.0  # m around a point or line drawn as an area
FAR = 500.0  # m that an arrival may lie off the property
FAR_OFF = 1e6  # m; a line of the file that says more of where it stood is none
LONGEST_STOOD = 20_000  # characters of the line that a hole had
MOST_ORDER = 999  # number of a hole in any round


def read_hand(config: Config, plan: Plan) -> Hand:
    """Everything that the designer asks for; the files are only read.

    Raises
    ------
    InputError
        All that is wrong with it, in one message: a hole outside the property, a name used twice,
        a tee without a basket, a wish nobody knows, an arrival far off.
    """
    faults: list[InputError] = []
    if config.designer is not None and config.designer.resolve().parent == config.out.resolve():
        raise InputError(
            config.designer,
            "lies in the folder of the results, where a run would write over it",
            "Copy it to another folder and name the copy.",
        )
    own = _own(config, plan, faults)
    drawn, before = _drawn(config, plan, {hole.name for hole in own}, faults)
    said = {hole.name for hole in drawn}
    holes = (*(hole for hole in own if hole.name not in said), *drawn)
    for hole in holes:
        _inside(config, plan, hole, hole in own, faults)
    _numbers(config, holes, faults)
    areas = _areas(config, plan, faults)
    arrival = _arrival(config, plan, faults)
    paths = ""
    if config.layout.paths is not None:
        try:
            paths = _paths(config.layout.paths, config, plan)
        except InputError as err:
            faults.append(err)
    if faults:
        raise together(faults)
    return Hand(holes, areas, before, arrival, paths, config.holes)


def _paths(path: Path, config: Config, plan: Plan) -> str:
    """Existing paths as one shape in WKT; polygons count with all that they enclose."""
    frame = in_working(path, read_vectors(path, config.crs.vectors), plan.working)
    shapes = [part for shape in frame.geometry for part in parts(shape)]
    whole = shapely.union_all([enclosed(s) if s.geom_type == "Polygon" else s for s in shapes])
    if not whole.length > 0:
        raise InputError(path, "holds no line with a length", "Draw paths as lines.")
    near_enough(path, whole, plan.reach)
    return str(shapely.to_wkt(whole))


def _own(config: Config, plan: Plan, faults: list[InputError]) -> tuple[Drawn, ...]:
    """Holes of `own_holes`; preferred unless a column `wish` says otherwise."""
    path = config.own_holes
    if path is None:
        return ()
    _twice(path, [name for name, _ in plan.own_holes], faults)
    try:
        frame = read_vectors(path, config.crs.vectors)
    except InputError as err:
        faults.append(err)
        return ()
    rows = frame.rename(columns=str.lower).to_dict("records")
    return tuple(
        Drawn(
            name,
            "",
            wkt,
            _wish(path, name, row.get("wish"), WISHES, faults) or "prefer",
            _order(path, name, row.get("play_order"), faults),
        )
        for (name, wkt), row in zip(plan.own_holes, rows, strict=True)
    )


def _drawn(
    config: Config, plan: Plan, own: set[str], faults: list[InputError]
) -> tuple[tuple[Drawn, ...], tuple[tuple[int, str, str], ...]]:
    """Holes of the designer's file that say something, and all that it began as."""
    frame = _layer(config, plan, HOLES, faults)
    path = config.designer
    if frame is None or path is None:
        return (), ()
    names = [name_of(frame, k) for k in range(len(frame))]
    _twice(path, names, faults)
    if not _sensible(path, names, faults):
        return (), ()
    holes, before = [], []
    for name, (_, row) in zip(names, _rows(frame), strict=True):
        wish = _wish(path, name, row.get("wish"), WISHES, faults)
        order = _order(path, name, row.get("play_order"), faults)
        line = row["geometry"]
        if line is not None and line.geom_type == "MultiLineString":
            line = shapely.line_merge(line)
        if line is None or line.geom_type != "LineString" or line.length < 1.0:
            faults.append(
                InputError(
                    path,
                    f"{_called(name)} has a tee but no basket"
                    if line is not None and line.geom_type in ("Point", "LineString")
                    else f"{_called(name)} is not one line from tee to basket",
                    "Draw it as one line, tee first, landing zones between, basket last.",
                )
            )
            continue
        line = shapely.force_2d(line)
        try:
            as_hole(path, name, line)
        except InputError as err:
            faults.append(err)
            continue
        stood = _stood(row.get("stood"))
        moved = stood is not None and _moved(line, stood)
        if stood is None:  # drawn by hand, as those of `own_holes` are
            from lanewright.legs.own import STRAY  # with all that throws, for designers' files only

            line = line.simplify(STRAY)
        if stood is not None:
            before.append((order, name, stood.wkt))
        if not wish and stood is not None and not moved:
            continue
        wish = wish or "keep"
        # A line that stands where one of ours or of `own_holes` does is scored already.
        key = "" if wish == "avoid" or (name in own and not moved) else _key(name, stood, own)
        held = order if wish == "lock" else 0
        holes.append(Drawn(name, key, line.wkt, wish, held, moved))
    return tuple(holes), tuple(sorted(before))


def _key(name: str, stood: shapely.LineString | None, own: set[str]) -> str:
    """Name to score a line under: apart from the numbers of this round and from `own_holes`."""
    number = name.removeprefix("hole ")
    if stood is not None and number != name and number.isdigit():
        return FORMER + number
    return f"{name} (moved)" if name in own else name


def _rows(frame: gpd.GeoDataFrame) -> list[tuple[int, Row]]:
    return list(enumerate(frame.rename(columns=str.lower).to_dict("records"), start=1))


def _moved(line: shapely.LineString, stood: shapely.LineString) -> bool:
    """Whether a corner was moved, added or taken away."""
    a, b = shapely.get_coordinates(line), shapely.get_coordinates(stood)
    return len(a) != len(b) or bool((abs(a - b) > MOVED).any())


def _stood(value: str | float | None) -> shapely.LineString | None:
    """Line that a hole had in the file; None where the text is no such line any more."""
    text = _text(value) or ""
    try:
        with np.errstate(invalid="ignore"):
            line = shapely.from_wkt(text) if len(text) <= LONGEST_STOOD else None
    except shapely.errors.GEOSException:
        return None
    if line is None or line.geom_type != "LineString" or line.is_empty:
        return None
    return line if 1.0 <= line.length < FAR_OFF else None


def _layer(
    config: Config, plan: Plan, name: str, faults: list[InputError]
) -> gpd.GeoDataFrame | None:
    """One layer of the designer's file in the run's CRS; None without it or without rows."""
    path = config.designer
    if path is None:
        return None
    try:
        layers = layer_names(path)
        if not set(layers) & {HOLES, AREAS}:
            raise InputError(
                path,
                f"has neither a layer {HOLES} nor {AREAS} with shapes",
                "Start from a copy of designer-start.gpkg.",
            )
        if name in layer_names(path, plain=True):
            raise InputError(
                path,
                f"holds {name} as a table without shapes",
                "Save that layer with its geometry, or take it out of the file.",
            )
        frame = read_layer(path, name) if name in layers else None
        if frame is None or not len(frame):
            return None
        return in_working(path, placed(path, frame, config.crs.vectors), plan.working)
    except InputError as err:
        # What is wrong with the whole file comes up for both layers.
        if str(err) not in map(str, faults):
            faults.append(err)
        return None


def _areas(
    config: Config, plan: Plan, faults: list[InputError]
) -> tuple[tuple[str, str, str], ...]:
    frame = _layer(config, plan, AREAS, faults)
    path = config.designer
    if frame is None or path is None:
        return ()
    areas = []
    for k, row in _rows(frame):
        name, shape = _text(row.get("name")) or f"area {k}", row["geometry"]
        wish = _wish(path, name, row.get("wish"), AREA_WISHES, faults) or "keep out"
        if shape is None or shape.is_empty:
            faults.append(
                InputError(
                    path,
                    f"area {name[:LONGEST_NAME]} has no shape, or one that cannot be read",
                    "Draw it again, or delete it from the file.",
                )
            )
            continue
        flat = shapely.union_all(
            [enclosed(p) if p.geom_type == "Polygon" else p.buffer(AROUND) for p in parts(shape)]
        )
        areas.append((name, wish, flat.wkt))
    _sensible(path, [name for name, _, _ in areas], faults)
    return tuple(areas)


def _arrival(config: Config, plan: Plan, faults: list[InputError]) -> tuple[float, float] | None:
    """The arrival in the run's CRS."""
    if config.arrival is None:
        return None
    x, y = config.arrival
    if config.property is not None:
        crs = read_vectors(config.property, config.crs.vectors).crs
        x, y = Transformer.from_crs(crs, plan.working, always_xy=True).transform(x, y)
    left, bottom, right, top = plan.land.bounds if plan.land is not None else plan.grid.bounds
    away = shapely.box(left, bottom, right, top).distance(shapely.Point(x, y))
    if not away <= FAR:
        faults.append(
            InputError(
                "arrival",
                f"lies {away / 1000:.1f} km off the property",
                "Give x, y in the CRS of the property file.",
            )
        )
        return None
    return float(x), float(y)


# ---------------------------------------------------------------------------------------------
# Faults


def _inside(config: Config, plan: Plan, hole: Drawn, own: bool, faults: list[InputError]) -> None:
    """Tee, landing zones and basket; a hole to avoid may lie where it likes."""
    if plan.land is None or hole.wish == "avoid":
        return
    where = config.own_holes if own else config.designer
    places = shapely.get_coordinates(shapely.from_wkt(hole.wkt))
    # Lines of `own_holes` may be drawn as the disc flies; only the designer's file has corners
    # that are landing zones.
    for k in (0, len(places) - 1) if own else range(len(places)):
        what = "tee" if k == 0 else "basket" if k == len(places) - 1 else "landing zone"
        away = plan.land.distance(shapely.Point(places[k]))
        if away > 0:
            faults.append(
                InputError(
                    where,
                    f"the {what} of {_called(hole.name)} lies {away:.0f} m outside the property",
                    "Move it inside, or leave the hole out.",
                )
            )


def _sensible(path: Path, names: list[str], faults: list[InputError]) -> bool:
    """Whether there are no more features, and no other names, than a run can show."""
    before = len(faults)
    try:
        too_many(path, len(names))
        for number, name in enumerate(names, start=1):
            named_well(path, name, number)
    except InputError as err:
        faults.append(err)
    return len(faults) == before


def _twice(path: Path, names: list[str], faults: list[InputError]) -> None:
    again = sorted(name for name, count in Counter(names).items() if count > 1)
    if again:
        called = ", ".join(name[:LONGEST_NAME] for name in again[:5])
        faults.append(
            InputError(
                path,
                f"more than one hole is called {called}",
                "Give every hole a name of its own.",
            )
        )


def _numbers(config: Config, holes: tuple[Drawn, ...], faults: list[InputError]) -> None:
    locked = [hole for hole in holes if hole.wish == "lock"]
    counts = Counter(hole.order for hole in locked if hole.order)
    where = config.designer or config.own_holes
    for order, count in sorted(counts.items()):
        if count > 1:
            names = ", ".join(h.name for h in locked if h.order == order)
            faults.append(
                InputError(
                    where,
                    f"{names} are all locked as hole {order}",
                    "Lock one of them there, and give the others another play_order or keep.",
                )
            )
    for hole in locked:
        if not 0 < hole.order <= config.holes:
            faults.append(
                InputError(
                    where,
                    f"{_called(hole.name)} is locked, but its play_order, "
                    f"{hole.order or 'empty'}, is none of the {config.holes} holes of the round",
                    "Give it a play_order, or ask for keep.",
                )
            )


def _wish(
    path: Path,
    name: str,
    value: str | float | None,
    known: tuple[str, ...],
    faults: list[InputError],
) -> str:
    wish = (_text(value) or "").strip().lower()
    if wish and wish not in known:
        faults.append(
            InputError(
                path,
                f"{name[:LONGEST_NAME]} has the wish {wish[:40]!r}, which nobody knows",
                f"Use {', '.join(known)}, or leave it empty.",
            )
        )
        return ""
    return wish


def _order(path: Path, name: str, value: str | float | None, faults: list[InputError]) -> int:
    """Number in the round; 0 for none."""
    if value is None or pd.isna(value):
        return 0
    try:
        number = float(str(value)[:40])
    except ValueError:
        number = math.nan
    if not (number.is_integer() and 0 <= number <= MOST_ORDER):
        faults.append(
            InputError(
                path,
                f"{name[:LONGEST_NAME]} has the play_order {str(value)[:40]!r}",
                f"Use a whole number up to {MOST_ORDER}, or leave it empty.",
            )
        )
        return 0
    return int(number)


def _called(name: str) -> str:
    return name if name.lower().startswith("hole ") else f"hole {name}"


def _text(value: str | float | None) -> str | None:
    return None if value is None or pd.isna(value) else str(value)
