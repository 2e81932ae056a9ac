"""From the figures of parcels to their order: worth, confidence, and a sentence on why."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

from lanewright.base.rows import Facts, Row
from lanewright.settings.rank import RankSettings


def judged(row: Facts, settings: RankSettings, wanted: int, visit: dt.date | None = None) -> Row:
    """A row with what it is worth, how sure that is, and why.

    Parameters
    ----------
    row
        Figures of a parcel; None where unknown.
    wanted
        Holes asked for.
    visit
        Day that the age of the survey is counted to; None leaves the age out.
    """
    terms = terms_of(row, settings, wanted)
    made: Row = {f"worth_{name}": value for name, value in terms.items()}
    made |= {
        "worth": worth_of(terms, settings),
        "survey_years": _years(row.get("flown"), visit),
        "fits_9": fits(row, 9, wanted),
        "fits_18": fits(row, 18, wanted),
    }
    made["confidence"] = confidence_of({**row, **made}, settings)
    return {**row, **made, "reason": reason_of({**row, **made}, wanted)}


def terms_of(row: Facts, settings: RankSettings, wanted: int) -> dict[str, float | None]:
    """Each term of the worth, 0-1; None where its figures are unknown.

    Room of a quick look is half way between the open lines and what the area holds.
    """
    laid, low, high = row.get("holes_fit"), row.get("lines_apart"), row["holes_by_area"]
    room = laid if laid is not None else (high + (high if low is None else low)) / 2
    fair = row.get("fair_lines") if row.get("fair_holes") is None else row["fair_holes"]
    return {
        "room": _full(room, wanted),
        "features": _full(row["feature_value"], settings.features_full),
        "fair": _full(fair, wanted),
        "dry": _empty(row["wet_share"], settings.wet_most),
        "gentle": _empty(row["steep_share"], settings.steep_most),
        "clear": _empty(row["closed_share"], 1.0),
    }


def worth_of(terms: dict[str, float | None], settings: RankSettings) -> float:
    """Mean of the known terms by their weights, 0-1.

    Examples
    --------
    >>> round(worth_of({"room": 1.0, "features": 0.2, "dry": None}, RankSettings()), 3)
    0.667
    """
    weights = settings.worth.model_dump()
    known = {name: value for name, value in terms.items() if value is not None}
    total = sum(weights[name] for name in known)
    return sum(weights[n] * v for n, v in known.items()) / total if total > 0 else 0.0


def confidence_of(row: Facts, settings: RankSettings) -> float:
    """How far the figures can be believed, 0-1: a product of credits; ours.

    Of the survey's cover, what of the throwing space it searched, its density and age, and of how
    far the parcel was looked at.
    """
    density = row["first_returns"] or 0.0
    credit = (row["covered_share"] or 0.0) * (row["seen_share"] or 0.0)
    credit *= min(1.0, density / settings.good_density)
    if row["survey_years"] is not None:
        credit *= 0.5 ** (max(row["survey_years"], 0.0) / settings.old_years)
    return float(credit * (settings.quick_share if row.get("holes_fit") is None else 1.0))


def fits(row: Facts, holes: int, wanted: int) -> str:
    """Whether so many holes fit: yes or no after a round was laid out, else an estimate.

    A round laid out holds no more than were asked for, so that it says no to more only if it
    stayed below.

    Examples
    --------
    >>> row = {"holes_by_area": 12, "lines_apart": 4}
    >>> fits(row, 9, 18), fits(row, 18, 18), fits({**row, "holes_fit": 9}, 9, 18)
    ('possible', 'unlikely', 'yes')
    """
    laid = row.get("holes_fit")
    if laid is not None and laid >= holes:
        return "yes"
    if laid is not None and laid < wanted:
        return "no"
    if (row.get("lines_apart") or 0) >= holes:
        return "likely"
    return "possible" if row["holes_by_area"] >= holes else "unlikely"


def reason_of(row: Facts, wanted: int) -> str:
    """One sentence: how many holes, what there is to see, what stands against it."""
    laid, low, high = row.get("holes_fit"), row.get("lines_apart"), row["holes_by_area"]
    if laid is not None:
        room = f"a round of {laid} of {wanted} holes was laid out, {row['fair_holes']} of them fair"
        if row["trim_hours_high"]:
            room += f", with {row['trim_hours_low']:.0f} to {row['trim_hours_high']:.0f} h of trim"
    elif low is None:
        held = _counted(high, "hole")
        room = f"its usable ground usually holds {held}; what grows there is not known"
    else:
        room = (
            f"its usable ground usually holds {_counted(high, 'hole')}; lines open today and far "
            f"enough apart to be one each: {low}"
        )
    offers = row["features"] or "nothing stands out"
    shares = [
        ("likely wet", row["wet_share"]),
        ("steep", row["steep_share"]),
        ("closed by growth", row["closed_share"]),
    ]
    against = ", ".join(f"{share:.0%} {what}" for what, share in shares if share is not None)
    unknown = [what for what, share in shares if share is None]
    tail = f"; not known: {', '.join(unknown)}" if unknown else ""
    return f"{room[:1].upper()}{room[1:]}; {offers}; {against or 'no figures of its ground'}{tail}."


def ordered(rows: Sequence[Row]) -> list[Row]:
    """Rows with their `rank`: the most worth first, then by key; failed ones last without one."""
    good = [row for row in rows if row["status"] == "ranked"]
    bad = [row for row in rows if row["status"] != "ranked"]
    good.sort(key=lambda row: (-round(row["worth"], 6), row["parcel_id"]))
    bad.sort(key=lambda row: row["parcel_id"])
    return [{**row, "rank": place} for place, row in enumerate(good, 1)] + [
        {**row, "rank": None} for row in bad
    ]


def _counted(count: int, noun: str) -> str:
    return f"{count} {noun}{'s' * (count != 1)}"


def _full(value: float | None, full: float) -> float | None:
    return None if value is None else min(1.0, value / full)


def _empty(share: float | None, most: float) -> float | None:
    return None if share is None else max(0.0, 1.0 - share / most)


def _years(flown: str | None, visit: dt.date | None) -> float | None:
    if flown is None or visit is None:
        return None
    return (visit - dt.date.fromisoformat(flown[-10:])).days / 365.25
