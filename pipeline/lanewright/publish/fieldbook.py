"""The field book: a small two-sided book for the walk, legible in black and white.

A spread to each hole: plan, profile and places at the left, what to do and to write at the right.
Every number is the one in the GeoPackage.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
from pyproj import Geod, Transformer

from lanewright.base import schema
from lanewright.base.units import ACRES_PER_HECTARE, FEET_PER_METRE
from lanewright.publish import fieldmaps
from lanewright.publish.fieldmaps import MapData, names_of
from lanewright.publish.paper import MM, Column, Paper
from lanewright.publish.whole import beside
from lanewright.sources.crs import authority
from lanewright.visit.outing import Outing, Played, Spot

_DEGREES = 6  # decimals: a tenth of a metre


@dataclass(frozen=True)
class Told:
    """What the book says about the run.

    Attributes
    ----------
    title
        Of the run.
    facts
        Name and value of what the reader should know first: area, survey, CRS.
    cautions
        The layer `cautions`.
    paper
        Key of `paper.PAPERS`.
    """

    title: str
    facts: tuple[tuple[str, str], ...]
    cautions: gpd.GeoDataFrame
    paper: str = "a5"


def write_fieldbook(path: Path, scene: MapData, told: Told) -> None:
    """Write the book; replaces an earlier one once whole.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    with beside(path) as part:
        paper = Paper(part, f"{told.title}, field book", "Field book of a desk study", told.paper)
        writer = _Writer(paper, scene, told)
        writer.title_page()
        writer.map_page()
        writer.table_page()
        for hole in scene.outing.holes:
            writer.hole(hole)
        writer.checks()
        writer.cautions()
        paper.save()


class _Writer:
    def __init__(self, paper: Paper, scene: MapData, told: Told) -> None:
        self.paper, self.scene, self.told = paper, scene, told
        self.outing: Outing = scene.outing
        self.to_wgs = Transformer.from_crs(scene.grid.crs, "EPSG:4326", always_xy=True)
        self.geod = Geod(ellps="WGS84")

    # --- words

    def length(self, row: pd.Series[Any], layer: str, name: str) -> str:
        """A length of a layer in both units, with the digits of the GeoPackage."""
        columns = schema.LAYERS[layer]
        other = f"{name.removesuffix('_m')}_ft"
        if pd.isna(row[name]):
            return "unknown"
        m = f"{row[name]:.{columns.column(name).digits}f} m"
        ft = f"{row[other]:.{columns.column(other).digits}f} ft"
        return f"{ft} ({m})" if self.scene.feet_first else f"{m} ({ft})"

    def metres(self, value: float) -> str:
        """A measured length in both units, in whole ones."""
        m, ft = f"{value:.0f} m", f"{value * FEET_PER_METRE:.0f} ft"
        return f"{ft} ({m})" if self.scene.feet_first else f"{m} ({ft})"

    def lonlat(self, x: float, y: float) -> tuple[str, str]:
        """Latitude and longitude in decimal degrees, WGS 84."""
        lon, lat = self.to_wgs.transform(x, y)
        return f"{lat:.{_DEGREES}f}", f"{lon:.{_DEGREES}f}"

    def bearing(self, a: tuple[float, float], b: tuple[float, float]) -> tuple[int, float]:
        """Degrees from true north, 1 to 360, and metres between two places."""
        lon0, lat0 = self.to_wgs.transform(*a)
        lon1, lat1 = self.to_wgs.transform(*b)
        azimuth, _, metres = self.geod.inv(lon0, lat0, lon1, lat1)
        return (round(azimuth) - 1) % 360 + 1, metres

    # --- front

    def title_page(self) -> None:
        paper = self.paper
        paper.begin("", bookmark="Title")
        paper.y -= 16
        paper.put(paper.left, paper.y, "FIELD BOOK", 8, grey=0.25)
        paper.y -= 8
        paper.rule(paper.y, 1.4)
        paper.y -= 6
        for line in paper.lines(self.told.title, paper.wide, 17, bold=True)[:4]:
            paper.put(paper.left, paper.y - 17, line, 17, bold=True)
            paper.y -= 21
        paper.y -= 8
        paper.paragraph(self.outing.note, 8)
        paper.table(
            [Column("", 0.27), Column("", 0.73)], [list(fact) for fact in self.told.facts], 7.2
        )
        paper.heading("To fill in")
        paper.blanks(["Walked on", "by"])
        paper.blanks(["Weather", "Leaves", "Ground"])
        paper.blanks(["Declination here, ° east (+) or west (−)"])
        paper.heading("Signs")
        self._signs()

    def _signs(self) -> None:
        paper = self.paper
        rows = [
            ("tee", "tee, play to the right"),
            ("basket", "basket; dashed ring: 10 m (33 ft) around it"),
            ("landing", "landing zone"),
            ("rest", "two of three throws that nothing stops come to rest inside"),
            ("fail", "where most failing throws touch something"),
            ("flight", "flight aimed for; strokes across: "
             + ("every 50 ft" if self.scene.feet_first else "every 10 m")),
            ("ring", "trim work, by its number on the hole's page; hatched outline from above"),
            ("square", "field check, by its number in the list at the end"),
            ("walk", "walk between holes"),
            ("water", "water; loose strokes: ground that is wet by the shape of the terrain"),
            ("grey", "growth: in plans the taller, in profiles the denser, the darker; dots in "
             "profiles: lidar never searched there"),
        ]  # fmt: skip
        for kind, text in rows:
            lines = paper.lines(text, paper.wide - 40, 7)
            paper.room(12)
            x, y = paper.left + 16, paper.y - 5
            self._sign(kind, x, y)
            for i, line in enumerate(lines):
                paper.put(paper.left + 40, paper.y - 7 - i * 8.6, line, 7)
            paper.y -= max(12.0, 8.6 * len(lines) + 3)

    def _sign(self, kind: str, x: float, y: float) -> None:
        paper = self.paper
        view = fieldmaps.View((0, 0, 1, 1), (x, y), (x, y), (1.0, 0.0), round(MM * 1000))
        signs = fieldmaps._Picture(paper, view)
        match kind:
            case "tee":
                signs.tee((x, y), (x + 9, y))
            case "basket":
                signs.basket((x, y))
            case "landing":
                signs.landing((x, y))
            case "rest":
                paper.canvas.setStrokeGray(0.2)
                paper.canvas.setLineWidth(0.7)
                paper.canvas.setDash([1.2, 1.6], 0)
                paper.canvas.ellipse(x - 11, y - 3.5, x + 11, y + 3.5, stroke=1, fill=0)
                paper.canvas.setDash([], 0)
            case "fail":
                fieldmaps.cross(paper, x, y)
            case "flight":
                paper.stroke([(x - 14, y), (x + 14, y)], 1.5)
                for at in (-7, 0, 7):
                    paper.stroke([(x + at, y - 2), (x + at, y + 2)], 0.5)
            case "ring":
                fieldmaps.tag(paper, x, y, "1", "ring")
            case "square":
                fieldmaps.tag(paper, x, y, "C1", "square")
            case "walk":
                paper.stroke([(x - 14, y), (x + 14, y)], 0.9, 0.0, (0.5, 2.0))
            case "water":
                for i in range(4):
                    paper.stroke([(x - 13, y - 3 + 2 * i), (x - 1, y - 3 + 2 * i)], 0.35)
                paper.stroke([(x + 2, y - 2), (x + 13, y - 2)], 0.35, 0.25, (2, 3))
                paper.stroke([(x + 4, y + 2), (x + 13, y + 2)], 0.35, 0.25, (2, 3))
            case "grey":
                for i, grey in enumerate((0.9, 0.75, 0.6)):
                    paper.canvas.setFillGray(grey)
                    paper.canvas.rect(x - 13 + 9 * i, y - 4, 9, 8, stroke=0, fill=1)
                paper.canvas.setFillGray(0)

    def map_page(self) -> None:
        paper, scene = self.paper, self.scene
        paper.to_side(even=True)
        paper.begin("Map", f"{len(self.outing.holes)} to see", bookmark="Map")
        box = (paper.left + 7, paper.bottom + 42, paper.right, paper.y)
        view = fieldmaps.overview(paper, box, scene)
        y = view.box[1] - 20
        fieldmaps.scale_bar(paper, box[0], y, view.per_metre, 110)
        off = fieldmaps.true_north(scene.grid.crs, view.origin)
        fieldmaps.north_arrow(paper, box[2] - 14, y - 4, (1.0, 0.0), 10)
        words = [
            f"1 : {view.scale:,} printed in full size",
            f"Grid in {authority(scene.grid.crs).split(' ')[0]}, metres",
            f"True north lies {abs(off):.1f}° {'east' if off >= 0 else 'west'} of grid north",
        ]
        for i, line in enumerate(words):
            paper.put(box[0] + 130, y + 4 - i * 9, line, 6.6)
        paper.y = y - 26
        if paper.y - paper.bottom > 60:
            paper.paragraph(
                "Rings: holes, at their tees. Squares: field checks. "
                f"{'P: arrival' if self.outing.start_given else 'S: start of the round'}. "
                "Dash and dot: the property as given, not surveyed.",
                6.8,
            )
            paper.notes(0, "Notes")

    def table_page(self) -> None:
        paper = self.paper
        source = self.outing.source
        paper.begin("Holes" if source != "legs" else "Lines", bookmark="Table")
        if not self.outing.holes:
            paper.paragraph(self.outing.note, 8.5)
            paper.notes(60, "Notes")
            return
        unit = "ft" if self.scene.feet_first else "m"
        digits = {
            c.name: c.digits or 0 for c in schema.LAYERS[source].columns if c.dtype == "float"
        }

        def number(facts: pd.Series[Any], name: str) -> str:
            value = facts.get(name)
            return "" if value is None or pd.isna(value) else f"{value:.{digits[name]}f}"

        rows = []
        for hole in self.outing.holes:
            f = hole.facts
            hours = (
                ""
                if pd.isna(f.get("trim_hours_low"))
                else f"{f['trim_hours_low']:.1f}–{f['trim_hours_high']:.1f}"
                if f["trim_hours_high"] > 0
                else "none"
            )
            rows.append(
                [
                    str(hole.number),
                    str(f["par"]) if "par" in f else f"leg {f['leg_id']}",
                    number(f, f"length_{unit}"),
                    number(f, f"rise_{unit}"),
                    _percent(f["clear_rate"]),
                    str(f["finish"]),
                    str(f["lane_kind"] or ""),
                    hours,
                    number(f, f"walk_{unit}") if "walk_m" in f else "",
                ]
            )
        columns = [
            Column("No.", 0.6),
            Column("par" if source != "legs" else "leg", 0.6 if source != "legs" else 1.2),
            Column(f"length {unit}", 1.0, "right"),
            Column(f"rise {unit}", 0.9, "right"),
            Column("clear", 1.0, "right"),
            Column("finish", 1.2),
            Column("kind", 1.0),
            Column("trim h", 1.2),
            Column(f"walk to it {unit}", 1.0, "right"),
        ]
        used = [i for i in range(len(columns)) if any(row[i] for row in rows)]
        paper.table([columns[i] for i in used], [[row[i] for i in used] for row in rows], 7)
        legs = pd.concat([hole.legs["level"] for hole in self.outing.holes])
        total = sum(float(h.facts[f"length_{unit}"]) for h in self.outing.holes)
        paper.paragraph(
            f"Levels thrown: {', '.join(sorted(set(legs)))}. Lengths add up to {total:,.0f} "
            f"{unit}. Clear: share of throws that touch no growth, as surveyed. Trim h: hours of "
            "the work chosen, low to high; empty where none was planned.",
            7,
        )
        paper.notes(40, "Notes")

    # --- holes

    def hole(self, hole: Played) -> None:
        paper = self.paper
        paper.to_side(even=True)
        layer = self.outing.source
        facts = hole.facts
        aside = " · ".join(
            text
            for text in (
                f"par {facts['par']}" if "par" in facts else "",
                self.length(facts, layer, "length_m"),
                str(facts["level"]),
            )
            if text
        )
        paper.begin(hole.title, aside, bookmark=hole.title)
        name = facts.get("name")
        if isinstance(name, str) and name:
            paper.paragraph(name, 8, bold=True, after=1)
        sentence = facts.get("sentence")
        if not isinstance(sentence, str) or not sentence:
            sentence = (
                f"Finishes {facts['finish']}, {facts['lane_kind'] or 'kind of lane unknown'}; "
                f"{self.length(facts, layer, 'rise_m')} from tee to basket."
            )
        paper.paragraph(sentence, 7.2, after=2)
        self._pictures(hole)
        self._places(hole)
        self._walk(hole)
        self._work_page(hole)

    def _pictures(self, hole: Played) -> None:
        paper, scene = self.paper, self.scene
        below = 78 + 13 * len(hole.spots)  # the table of places and the way to the tee
        free = paper.y - paper.bottom - below
        tall = max(free * 0.54, 80)
        box = (paper.left, paper.y - tall, paper.right, paper.y)
        view = fieldmaps.plan(paper, box, scene, hole)
        paper.y -= tall + 3
        low = max(free - tall - 14, 60)
        box = (paper.left, paper.y - low, paper.right, paper.y)
        stretch, _ = fieldmaps.profile(paper, box, scene, hole, view)
        paper.y -= low + 8
        unit = "feet" if scene.feet_first else "metres"
        paper.put(
            paper.left,
            paper.y,
            f"Plan 1 : {view.scale:,}. Heights in {unit} over the tee, drawn {stretch:g} times "
            "as tall as long.",
            6,
            grey=0.2,
        )
        paper.y -= 2
        if scene.columns is None:
            paper.put(paper.left, paper.y - 7, "No lidar: what stands on the line is not known.", 6)
            paper.y -= 8

    def _places(self, hole: Played) -> None:
        paper = self.paper
        paper.y -= 4
        rows = []
        spots = hole.spots
        for i, (name, spot) in enumerate(zip(names_of(hole), spots, strict=True)):
            lat, lon = self.lonlat(spot.x, spot.y)
            onward = ""
            if i + 1 < len(spots):
                degrees, metres = self.bearing(spot.xy, spots[i + 1].xy)
                onward = f"{degrees:03d}° {self.metres(metres)}"
            rows.append(
                [
                    name,
                    f"{lat}, {lon}",
                    f"{spot.x:.1f} E {spot.y:.1f} N",
                    "" if np.isnan(spot.z) else f"{spot.z:.1f} m",
                    onward,
                ]
            )
        paper.table(
            [
                Column("staked", 0.6),
                Column("WGS 84", 1.85),
                Column(f"{authority(self.scene.grid.crs).split(' ')[0]}", 2.0),
                Column("ground", 0.75),
                Column("on, from true north", 1.5),
            ],
            rows,
            6.4,
            boxes=True,
        )

    def _walk(self, hole: Played) -> None:
        """How to come to the tee: by the layout's walk where there is one, else straight."""
        paper = self.paper
        before = self._before(hole)
        if before is None:
            text = "Way to the tee: no arrival is set, so none is told."
        else:
            name, spot = before
            degrees, metres = self.bearing(spot.xy, hole.tee.xy)
            text = f"From {name} to the tee: {degrees:03d}° from true north, {self.metres(metres)} "
            text += "straight"
            if hole.walk is not None:
                walk = hole.walk
                text += (
                    f"; on foot {self.length(walk, 'layout_walks', 'length_m')}, climbing "
                    f"{self.length(walk, 'layout_walks', 'climb_m')}, {walk['minutes']:.1f} min"
                )
                if walk["wet_m"] > 0:
                    text += f", {self.length(walk, 'layout_walks', 'wet_m')} of it wet"
                if walk["crosses"]:
                    text += f"; in the line of fire of hole {walk['crosses']}"
                if walk["mark"]:
                    text += f"; needs {walk['mark']}"
            text += "."
        paper.paragraph(text, 7.2, bold=False, after=0)

    def _before(self, hole: Played) -> tuple[str, Spot] | None:
        place = [h.number for h in self.outing.holes].index(hole.number)
        if place:
            earlier = self.outing.holes[place - 1]
            return f"basket B{earlier.number}", earlier.basket
        if self.outing.start is None:
            return None
        name = "the arrival" if self.outing.start_given else "the start that the layout found"
        return name, self.outing.start

    def _work_page(self, hole: Played) -> None:
        paper = self.paper
        paper.begin(f"{hole.title}: on foot", bookmark=f"{hole.title}, on foot", level=1)
        self._leg_table(hole)
        self._trim(hole)
        self._own_checks(hole)
        paper.heading("Verdict", 30)
        moves = ["move tee", *(["move landing zone"] if hole.landings else []), "move basket"]
        paper.ticks(["keep", *moves, "throw it first", "drop"])
        paper.ticks(["stands clear of paths", "next tee in sight", "a bench fits", "beautiful"])
        paper.notes(45, "Notes")

    def _leg_table(self, hole: Played) -> None:
        feet = self.scene.feet_first
        unit = "ft" if feet else "m"
        digits = {c.name: c.digits or 0 for c in schema.LAYERS["legs"].columns}

        def number(leg: pd.Series[Any], name: str, sign: str = "") -> str:
            return "" if pd.isna(leg[name]) else f"{leg[name]:{sign}.{digits[name]}f}"

        rows = []
        for place, (_, leg) in enumerate(hole.legs.iterrows(), start=1):
            band = (
                f" ({100 * leg['clear_rate_low']:.1f}–{100 * leg['clear_rate_high']:.1f})"
                if pd.notna(leg["clear_rate_low"])
                else ""
            )
            pinch = (
                f"{number(leg, f'pinch_width_{unit}')} at {number(leg, f'pinch_at_{unit}')}"
                if pd.notna(leg["pinch_width_m"])
                else "unknown"
            )
            rows.append(
                [
                    str(place),
                    number(leg, f"length_{unit}"),
                    number(leg, f"rise_{unit}", "+"),
                    str(leg["finish"]),
                    number(leg, f"apex_{unit}"),
                    _percent(leg["clear_rate"]) + band,
                    _percent(leg["clear_rate_leaf_on"]),
                    pinch,
                    _percent(leg["seen_share"]),
                ]
            )
        self.paper.table(
            [
                Column("throw", 0.65),
                Column(f"length {unit}", 0.8, "right"),
                Column(f"rise {unit}", 0.85, "right"),
                Column("finish", 1.0),
                Column(f"apex {unit}", 0.75, "right"),
                Column("clear (low–high)", 1.95),
                Column("in leaf", 0.85, "right"),
                Column(f"gap, {unit} from throw", 1.3),
                Column("seen", 0.85, "right"),
            ],
            rows,
            6.6,
        )
        first, last = hole.legs.iloc[0], hole.legs.iloc[-1]
        parts = [
            f"Ground: tee {first['tee_slope_pct']:.1f} %, basket {last['landing_slope_pct']:.1f} %,"
            f" across the line {hole.legs['side_slope_pct'].max():.1f} %.",
            f"Wet under the line: {_percent(hole.legs['wet_share'].max())}.",
        ]
        if (hole.legs["carry_water_m"] > 0).any():
            longest = hole.legs.loc[hole.legs["carry_water_m"].idxmax()]
            parts.append(f"Over water: {self.length(longest, 'legs', 'carry_water_m')}.")
        self.paper.paragraph(" ".join(parts), 7)
        for place, (_, leg) in enumerate(hole.legs.iterrows(), start=1):
            if not fieldmaps.fails(leg) or not leg.get("fail_on"):
                continue
            side = "left" if leg["fail_side_m"] >= 0 else "right"
            beside = leg[["fail_side_m", "fail_side_ft"]].abs()
            what = {
                "limb": "a limb",
                "trunk": "a trunk",
                "not seen": "space that was not seen",
            }.get(leg["fail_on"], leg["fail_on"])
            self.paper.paragraph(
                f"Throw {place}: most that fail touch {what}, "
                f"{self.length(leg, 'legs', 'fail_at_m')} out, "
                f"{self.length(leg, 'legs', 'fail_height_m')} up, "
                f"{self.length(beside, 'legs', 'fail_side_m')} {side} of the straight line "
                "(crosses in plan and profile).",
                7,
            )

    def _trim(self, hole: Played) -> None:
        paper = self.paper
        if not len(hole.trim):
            paper.heading("Trim work", 24)
            text = "No trimming was planned in this run."
            if "chosen" in hole.trim.columns:
                hours = hole.facts.get("trim_hours_low")
                text = (
                    "None was planned for this line."
                    if hours is None or pd.isna(hours)
                    else "None chosen: the line clears as wished, or no work within the settings "
                    "would bring it there."
                )
            paper.paragraph(text, 7)
            return
        low, high = hole.facts.get("trim_hours_low"), hole.facts.get("trim_hours_high")
        if low is None or pd.isna(low):
            low, high = hole.trim["hours_low"].sum(), hole.trim["hours_high"].sum()
        paper.heading(f"Trim work, {low:.1f} to {high:.1f} hours", 40)
        rows, flags = [], []
        for place, (_, piece) in enumerate(hole.trim.iterrows(), start=1):
            flags.append(str(piece["flag"] or ""))
            heights = f"{piece['low_m']:.1f}–{piece['high_m']:.1f} m"
            feet = f"{piece['low_ft']:.0f}–{piece['high_ft']:.0f} ft"
            side = str(piece["side"])
            if side != "over":
                unit, digits = ("ft", 0) if self.scene.feet_first else ("m", 1)
                side += f" {abs(piece[f'offset_{unit}']):.{digits}f} {unit}"
            rows.append(
                [
                    str(place),
                    str(piece["action"]),
                    f"{feet} ({heights})" if self.scene.feet_first else f"{heights} ({feet})",
                    f"{self.length(piece, 'trim_work', 'along_m')}, {side}",
                    f"{piece['reach']}, {piece['hours_low']:.2f}–{piece['hours_high']:.2f} h",
                ]
            )
        paper.table(
            [
                Column("", 0.36),
                Column("what", 0.75),
                Column("heights", 1.4),
                Column("where, from the throw", 1.6),
                Column("who, hours", 1.6),
            ],
            rows,
            6.6,
            boxes=True,
            notes=flags,
        )

    def _own_checks(self, hole: Played) -> None:
        paper, checks = self.paper, self.scene.checks
        mine = checks[checks["place"] == hole.title]
        if not len(mine):
            return
        paper.heading("Checks on this hole", 40)
        paper.table(
            [Column("", 0.5), Column("", 5)],
            [[f"C{row['check_id']}", f"{row['look']}"] for _, row in mine.iterrows()],
            6.8,
            boxes=True,
        )

    # --- back

    def checks(self) -> None:
        paper, checks = self.paper, self.scene.checks
        paper.begin("Field checks", f"{len(checks)} in walking order", bookmark="Field checks")
        if not len(checks):
            paper.paragraph("Nothing was found that calls for a look of its own.", 8)
            return
        walked = float(checks["walk_m"].sum())
        start = "from the first"
        if self.outing.start:
            given = self.outing.start_given
            start = f"from the {'arrival' if given else 'start of the round'} and back to it"
        paper.paragraph(
            f"In the order of a short walk {start}: {self.metres(walked)} from check to check, "
            "straight. Bearings from true north.",
            7.2,
        )
        before = self.outing.start.xy if self.outing.start else None
        for _, check in checks.iterrows():
            at = (check.geometry.x, check.geometry.y)
            lat, lon = self.lonlat(*at)
            way = ""
            if before is not None:
                degrees, metres = self.bearing(before, at)
                way = f"{degrees:03d}° {self.metres(metres)}" if metres >= 0.5 else "same place"
            before = at
            self._check(check, f"{lat}, {lon}", way)

    def _check(self, check: pd.Series[Any], place: str, way: str) -> None:
        paper = self.paper
        indent = 30.0
        looks = paper.lines(check["look"], paper.wide - indent, 7.4)
        whys = paper.lines(check["why"], paper.wide - indent, 6.6)
        paper.room(12 + 9.6 * len(looks) + 8.4 * len(whys) + 26)
        top = paper.y
        paper.box(paper.left, top - 8)
        paper.put(paper.left + 9, top - 7.5, f"C{check['check_id']}", 7.4, bold=True)
        head = f"{check['kind']} · {check['place']}"
        if check["best_seen"] != "any day":
            head += f" · best seen {check['best_seen']}"
        paper.put(paper.left + indent, top - 7.5, head, 7.2, bold=True)
        paper.y -= 10.5
        for line in looks:
            paper.put(paper.left + indent, paper.y - 7, line, 7.4)
            paper.y -= 9.6
        for line in whys:
            paper.put(paper.left + indent, paper.y - 6.6, line, 6.6, grey=0.2)
            paper.y -= 8.4
        paper.put(paper.left + indent, paper.y - 6.4, f"{place}   {way}", 6.4)
        paper.y -= 9
        # Room for a word of what was found.
        paper.stroke([(paper.left + indent, paper.y - 9), (paper.right, paper.y - 9)], 0.3, 0.5)
        paper.y -= 15

    def cautions(self) -> None:
        paper = self.paper
        paper.begin("Before anything is cut or built", bookmark="Cautions")
        for _, caution in self.told.cautions.drop_duplicates(["caution", "why"]).iterrows():
            text = str(caution["caution"])
            paper.heading(text[:1].upper() + text[1:], 36)
            paper.paragraph(caution["why"], 7.4, after=1)
            paper.paragraph(f"Source: {caution['source']}", 6.4, grey=0.25, after=3)


def _percent(share: Any) -> str:
    return "" if pd.isna(share) else f"{100 * share:.1f}%"


def facts_of(
    *,
    area_ha: float,
    levels: Sequence[str],
    ground: str,
    flown: tuple[str, str] | None,
    leaf_state: str,
    crs: str,
    lidar: bool,
) -> tuple[tuple[str, str], ...]:
    """Facts for the title page, in words."""
    accuracy = Transformer.from_crs(crs, "EPSG:4326").accuracy
    within = f", which agrees with it to some {accuracy:g} m" if accuracy and accuracy > 0.5 else ""
    when = "not said" if flown is None else flown[0] if flown[0] == flown[1] else " to ".join(flown)
    leaves = {"off": "without leaves", "on": "in leaf", "unknown": "leaves unknown"}[leaf_state]
    return (
        ("Property", f"{area_ha:.2f} ha ({area_ha * ACRES_PER_HECTARE:.2f} acres)"),
        ("Levels", ", ".join(levels)),
        ("Survey", f"flown {when}, {leaves}" if lidar else "elevation model only, no lidar"),
        ("Ground from", ground),
        ("Coordinates", f"WGS 84 from {authority(crs)}{within}; a handheld adds 3 to 5 m, more "
         "under trees (from memory)"),
        ("Heights", "in the survey's own vertical datum"),
        ("Bearings", "from true north; a compass needs the declination of the day"),
    )  # fmt: skip
