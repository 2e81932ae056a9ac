"""A hole in words, and the layer of holes as it is written out."""

from __future__ import annotations

import re

import geopandas as gpd
import pandas as pd

from lanewright.base.rows import Facts, Row
from lanewright.base.units import FOOT, both

TIGHT = 9.0  # m; widest 1 to 2 in 3 gap of any level, worth a word; ours


LEVEL = 3.0
"""Grade up to which a hole is called level [percent]; common practice, no source."""


def climb_of(rise: float, length: float) -> str:
    """`uphill`, `level` or `downhill`, of a rise over a length [m], by one limit everywhere.

    Examples
    --------
    >>> climb_of(2.0, 100.0), climb_of(3.1, 100.0), climb_of(-3.0, 60.0)
    ('level', 'uphill', 'downhill')
    """
    grade = 100 * rise / length if length else 0.0
    return "uphill" if grade >= LEVEL else "downhill" if grade <= -LEVEL else "level"


def sentence(hole: Row, fair: float) -> str:
    """A hole as a designer would note it; tight where fewer throws pass than is fair."""
    feet = hole["length_m"] / FOOT
    kind = {
        "open": "over open ground",
        "edge": "along an edge",
        "lane": "down a lane",
        "tunnel": "through a tunnel",
    }.get(hole["lane_kind"], "")
    climb = climb_of(hole["rise_m"], hole["length_m"])
    if climb != "level":
        climb += f" {abs(hole['rise_m']):.0f} m"
    parts = _first(hole)
    parts += [f"{hole['length_m']:.0f} m ({feet:.0f} ft) {kind}".strip() + f", {climb}"]
    if hole["throws"] > 1:
        bend = hole["bend_deg"]
        turn = (
            "straight on"
            if abs(bend) < 15
            else f"turning {abs(bend):.0f}° {'left' if bend > 0 else 'right'}"
        )
        parts.append(f"{hole['throws']} throws, {turn}")
    asked = hole["finish"]
    parts.append("asks a straight drive" if asked == "straight" else f"asks a {asked} finish")
    if hole["carry_water_m"] >= 3:
        parts.append(f"carries {hole['carry_water_m']:.0f} m of water")
    if hole["pinch_width_m"] < TIGHT:
        width, at = hole["pinch_width_m"], hole["pinch_at_m"]
        wide = f"pinches to {width:.0f} m at {at:.0f} m"
        parts.append(wide if round(width) >= 1 else f"growth on the line at {at:.0f} m")
    if hole["clear_rate"] < fair:
        parts.append(f"tight, {100 * hole['clear_rate']:.0f} % of throws pass")
    if hole["unfair"]:
        parts.append(f"not fair as it is: {unfair_in_words(hole)}")
    if hole["green"]:
        parts.append(f"green {hole['green']}")
    if hole["pair_id"] is not None and not pd.isna(hole["pair_id"]):
        how = "the safe way is" if hole["route"] == "bold" else "may be dared by"
        parts.append(f"{how} hole {hole['pair_id']}")
    return _capital("; ".join(parts)) + "."


WHY_UNFAIR = {
    "gap": "its narrowest gap lets too few throws pass",
    "way": "too few throws touch nothing on the whole way",
    "landing": "too few throws come to rest on good ground",
    "climb": "it climbs or falls too steeply",
    "slope": "the ground across the way is too steep",
    "wet": "too much of the ground is wet",
    "carry": "its carry is longer than the level should be asked for",
    "safety": "throws end where people or neighbours may be",
}
"""What each gate of `fair.GATES` means that a hole or leg fails at."""


def unfair_in_words(row: Facts) -> str:
    """Why a hole or leg is not fair, from its columns; empty for a fair one."""
    words = [WHY_UNFAIR[gate] for gate in (row.get("unfair") or "").split(", ") if gate]
    share = row.get("gap_share")
    if share is not None and share < 1 and words and words[0] == WHY_UNFAIR["gap"]:
        words[0] = f"its narrowest gap lets {100 * share:.0f} % of throws pass"
    return ", ".join(words)


WORTH = {
    "framed": "framed by trees",
    "tunnel": "a tunnel",
    "shaped": "a curve that the ground asks for",
    "carry": "a carry",
    "drop": "a drop",
    "green": "ground that falls off beside or beyond the basket",
    "risk": "trouble that some throws find",
    "view": "a tee that stands over the land",
}
"""What each component of `interest.COMPONENTS` is to a reader."""

MUCH = 0.4  # of a component, from which it is worth a word; ours


def worth_in_words(row: Facts) -> str:
    """What makes a hole or leg worth a throw, most of it first; empty where nothing does."""
    shares = {name: row.get(f"interest_{name}") for name in WORTH}
    there = {name: share for name, share in shares.items() if share is not None and share >= MUCH}
    return ", ".join(WORTH[name] for name in sorted(there, key=lambda n: (-there[n], n)))


def _first(hole: Facts) -> list[str]:
    """What a reader should know before anything else about a hole."""
    parts = ["a lane to cut"] if hole.get("origin") == "cut" else []
    who = hole["carried_by"]
    if isinstance(who, str):
        water = f"{hole['carry_water_m']:.0f} m of water"
        said = f"only {who.replace(', ', ' and ')}" if who != "none" else "no level of this run"
        parts.append(f"{said} should be asked to carry its {water}")
    rate = hole["one_throw_rate"]
    if rate == rate:
        parts.append(f"one throw plays it, {100 * rate:.0f} % of them pass: no hole of two throws")
    return parts


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def without_numbers(text: str) -> str:
    """A sentence without numbers of candidates and trees, which mean nothing on the land.

    Examples
    --------
    >>> without_numbers("68 m level; green open; may be dared by hole 910.")
    '68 m level; green open; a bolder way to this basket was found.'
    >>> without_numbers("75 m level; the safe way is hole 1541; fair after trimming.")
    '75 m level; a safer way to this basket was found; fair after trimming.'
    >>> without_numbers("stopped by trunks 8% (tree 2869 most, 46% of the way)")
    'stopped by trunks 8% (one tree most, 46% of the way)'
    """
    text = re.sub(r"\(tree \d+ most\b", "(one tree most", text)
    text = re.sub(r"\bmay be dared by hole \d+", ROUTES["safe"], text)
    return re.sub(r"\bthe safe way is hole \d+", ROUTES["bold"], text)


ROUTES = {
    "safe": "a bolder way to this basket was found",
    "bold": "a safer way to this basket was found",
}
"""What is said of the other route of a hole, by its own."""


def _named(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """The layer with its sentences as people read them."""
    if "sentence" not in layer:
        return layer
    said = [without_numbers(t) if isinstance(t, str) else t for t in layer["sentence"]]
    return layer.assign(sentence=said)


def as_layer(
    holes: gpd.GeoDataFrame, links: pd.DataFrame, pars: pd.DataFrame, legs: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    """Holes with what is said of their legs and pars as text, as layer `holes` holds it.

    Parameters
    ----------
    holes, links, pars, legs
        Of the stage's result; see `holes.Holes`.
    """
    ordered = links.sort_values(["hole_id", "throw"])
    finish = ordered["leg_id"].map(legs.set_index("leg_id")["finish"])
    said = pars["level"] + " " + pars["par"].astype(str)
    texts = {
        "legs": _joined(ordered["hole_id"], ordered["leg_id"].astype(str), " "),
        "finishes": _joined(ordered["hole_id"], finish, ", "),
        "pars": _joined(pars["hole_id"], said, ", "),
    }
    more = {name: holes["hole_id"].map(text) for name, text in texts.items()}
    return _named(holes.assign(**more))


def _joined(keys: pd.Series[int], texts: pd.Series[str], between: str) -> dict[int, str]:
    """Texts of each key in one, in their order; a groupby takes a hundred times as long."""
    made: dict[int, list[str]] = {}
    for key, text in zip(keys, texts, strict=True):
        made.setdefault(key, []).append(text)
    return {key: between.join(mine) for key, mine in made.items()}


def in_round(
    layout: gpd.GeoDataFrame, links: pd.DataFrame, pars: pd.DataFrame, positions: pd.DataFrame
) -> gpd.GeoDataFrame:
    """Holes of rounds with their legs, and their pars for other levels, as text.

    Parameters
    ----------
    layout
        Rows of layer `layout_holes`, with `hole_id` and `level`.
    links, pars
        As in `as_layer`.
    positions
        Other tees and pins of holes: a level with a tee of its own plays from there.
    """
    at_tee = positions[positions["position"] == "tee"]
    own = {
        (hole, level): f"{level} par {int(par)}, {both(length)}"
        for hole, level, par, length in zip(
            at_tee["hole_id"], at_tee["level"], at_tee["par"], at_tee["length_m"], strict=True
        )
    }
    ordered = links.sort_values(["hole_id", "throw"])
    legs = _joined(ordered["hole_id"], ordered["leg_id"].astype(str), " ")
    others = []
    for hole, level in zip(layout["hole_id"], layout["level"], strict=True):
        mine = pars[(pars["hole_id"] == hole) & (pars["level"] != level)]
        said = (
            own.get((hole, name), f"{name} par {par}")
            for name, par in zip(mine["level"], mine["par"], strict=True)
        )
        others.append("; ".join(said) or None)
    return _named(layout.assign(legs=layout["hole_id"].map(legs), other_levels=others))
