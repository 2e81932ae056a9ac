"""The line in figures: label, value and what it means, for a card."""

from __future__ import annotations

from collections.abc import Iterator

from lanewright.base.rows import Row
from lanewright.holes.wording import ROUTES, unfair_in_words, worth_in_words
from lanewright.publish.report.subjects import Subject
from lanewright.publish.report.words import Units, number, pct, percent

Fact = tuple[str, str, str]


def facts_of(subject: Subject, units: Units) -> Iterator[Fact]:
    """Every figure of a hole, or of a single leg."""
    yield from _size(subject, units)
    yield from _ground(subject, units)
    yield from _corridor(subject.row, units)
    yield from _around(subject, units)
    yield from _throws(subject, units)
    yield from _worth(subject.row)


def _worth(row: Row) -> Iterator[Fact]:
    if row.get("fair"):
        said = {"yes": "yes, as it is", "no": "no", "after trim": "after the trim work planned"}
        yield "Fair", said[str(row["fair"])], unfair_in_words(row)
    if row.get("interest") is not None:
        liked = worth_in_words(row) or "nothing of note beyond a plain throw"
        yield "Interest", number(row["interest"], 2), liked
    yield (
        "Worth",
        number(row.get("score"), 2),
        "interest times ease; 0 if unfair, 1 is best",
    )


def _size(subject: Subject, units: Units) -> Iterator[Fact]:
    row = subject.row
    if row.get("par"):
        yield "Par", f"{row['par']} ({row.get('par_source') or 'our default'})", ""
    if row.get("pars"):
        yield "Pars by level", str(row["pars"]), ""
    yield "Length", units.length(row.get("length_m")), "along the flights"
    effective = units.length(row.get("effective_length_m"))
    yield "Effective length", effective, "on level ground that asks as much"


def _ground(subject: Subject, units: Units) -> Iterator[Fact]:
    row, first, last = subject.row, subject.legs[0], subject.legs[-1]
    rise = units.length(row.get("rise_m"), 1)
    yield "Rise", rise, "ground at the end over ground at the tee"
    yield "Grade", " / ".join(pct(leg["grade_pct"], 1) for leg in subject.legs), "of each throw"
    across = " / ".join(pct(leg["side_slope_pct"], 1) for leg in subject.legs)
    yield "Side slope", across, "across the line"
    yield "Slope at the tee", pct(first["tee_slope_pct"], 1), ""
    yield "Slope at the basket", pct(last["landing_slope_pct"], 1), ""
    apex = max(leg["apex_m"] for leg in subject.legs)
    yield "Highest flight", units.length(apex, 1), "over the tee"


def _corridor(row: Row, units: Units) -> Iterator[Fact]:
    if row.get("pinch_width_m") is not None:
        width, at = units.length(row["pinch_width_m"], 1), units.length(row.get("pinch_at_m"))
        yield "Narrowest place", f"{width}, {at} from the tee", ""
    if row.get("lane_kind"):
        yield "Corridor", f"{row['lane_kind']}; {percent(row.get('roof_share'))} roofed", ""
    yield "Wet ground", percent(row.get("wet_share")), "of the ground below"
    carry = row.get("carry_water_m") or 0.0
    yield "Carry over water", units.length(carry) if carry else "none", ""
    yield "Seen by lidar", percent(row.get("seen_share")), "of the flight space"


def _around(subject: Subject, units: Units) -> Iterator[Fact]:
    row = subject.row
    if row.get("landing_share") is not None:
        share = percent(row["landing_share"])
        yield "Landing zone", share, "of throws come down on open, dry, gentle ground"
    if row.get("green"):
        yield "Green", str(row["green"]), ""
    route = str(row.get("route"))
    if row.get("route") == "bold" or row.get("pair_id") is not None:
        other = f"; {ROUTES[route]}" if row.get("pair_id") is not None and route in ROUTES else ""
        yield "Route", f"{route}{other}", ""


def _throws(subject: Subject, units: Units) -> Iterator[Fact]:
    failing = next((leg for leg in subject.legs if leg.get("fail_on")), None)
    if failing:
        side = failing.get("fail_side_m") or 0.0
        places = (
            str(failing["fail_on"]),
            f"{units.length(failing['fail_at_m'])} from the tee",
            f"{units.length(failing['fail_height_m'], 1)} up",
            f"{units.length(abs(side), 1)} {'left' if side > 0 else 'right'} of the line",
        )
        yield "Where most misses touch", ", ".join(places), ""
    last = subject.legs[-1]
    if last.get("landing_long_m") is not None:
        long, wide = units.length(last["landing_long_m"]), units.length(last["landing_wide_m"])
        yield "Two of three come to rest within", f"{long} by {wide}", "of those that nothing stops"
    if (last.get("unsafe_share") or 0.0) > 0:
        share = percent(last["unsafe_share"], 1)
        yield "End off the land or in a keep-out", share, "of throws"
