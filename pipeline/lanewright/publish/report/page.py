"""The page: numbers and drawings put into templates, one file that needs no network."""

from __future__ import annotations

import base64
import functools
import gzip
import io
import json
import pickle
from importlib.resources import files
from pathlib import Path

import jinja2
import matplotlib
import plotly.offline
from markupsafe import Markup

from lanewright import __version__
from lanewright.publish.findings import Findings
from lanewright.publish.flightplot import flight_figure
from lanewright.publish.ownerquestions import owner_questions
from lanewright.publish.report import cards, cutlanes, made, sentences, taken
from lanewright.publish.report.crewlist import crew_lists
from lanewright.publish.report.first import first_lines, flown_words
from lanewright.publish.report.mapsheet import map_sheet
from lanewright.publish.report.offers import offers_of
from lanewright.publish.report.proposals import proposals_of
from lanewright.publish.report.since import since_of
from lanewright.publish.report.subjects import subjects_of
from lanewright.publish.report.values import values_of
from lanewright.publish.report.words import (
    Units,
    about,
    hours_of,
    level_words,
    number,
    percent,
    plural,
    trimming,
)
from lanewright.publish.scoring import score_words
from lanewright.publish.whole import beside

VERSION = 11
"""Raise whenever the page changes for the same results."""


def write_report(path: Path, found: Findings) -> None:
    """Write the page; see `build_report`.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    page = build_report(found)
    with beside(path) as part:
        part.write_text(page, encoding="utf-8", newline="\n")


def build_report(found: Findings) -> str:
    """Make the page of a run.

    Parameters
    ----------
    found
        Results as published; parts that the run did not make are named as missing.

    Returns
    -------
    str
        HTML with everything it needs inside; the same results give the same text.
    """
    units = Units(found.config.units == "feet")
    subjects = subjects_of(found)
    groups = cards.groups_of(found, subjects, units)
    every = [card for group in groups for card in group.cards]
    spaces = {card.key: card.space for card in every if card.space is not None}
    keys = {int(s.row["hole_id"]): s.key for s in subjects if "hole_id" in s.row}
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            found=found,
            name=found.config.name,
            units=units,
            version=__version__,
            glance=sentences.glance(found, units),
            figures=sentences.figures(found, units),
            unseen=sentences.unseen(found, units),
            noted=sentences.noted(found),
            others_noted=sentences.others_noted(found),
            cautions=cards.cautions_of(found),
            sheet=map_sheet(found, subjects, units),
            proposals=proposals_of(found, subjects, units),
            groups=groups,
            holes_made=found.layer("holes") is not None,
            offers=offers_of(found, subjects, units),
            taken=taken.taken_of(found, units),
            cuts=cutlanes.cuts_of(found, units),
            cut_heads=cutlanes.HEADS,
            saw_cautions=cutlanes.CAUTIONS,
            saws=cutlanes.SAWS,
            levels=level_words(found.config, units),
            crews=crew_lists(found, keys, units),
            first=first_lines(found, units),
            flown=flown_words(found),
            questions=owner_questions(found, units),
            made=made.how_made(found, units),
            since=since_of(found, units),
            flights=_flight_plot(found),
            spaces=_json(spaces),
            values=_json(values_of(found)),
            plotly=_library() if spaces else None,
        )
    )


@functools.cache
def _environment() -> jinja2.Environment:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("lanewright.publish.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "number": number,
        "share": percent,
        "about": about,
        "sentence": sentences.capital,
        "ended": sentences.ended,
    }
    environment.globals |= {
        "plural": plural,
        "hours_of": hours_of,
        "trimming": trimming,
        "score_words": score_words,
        "asset": _asset,
    }
    return environment


def _asset(name: str) -> Markup:
    """One of our own style sheets or scripts, to go into the page as it is."""
    text = files("lanewright.publish.report").joinpath("templates", name).read_text("utf-8")
    return Markup(text)


def _json(value: object) -> Markup:
    """Data for a script element; nothing in it can end the element."""
    text = json.dumps(value, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return Markup(text.replace("<", "\\u003c").replace("&", "\\u0026").replace(">", "\\u003e"))


def _flight_plot(found: Findings) -> str | None:
    """Data address of the plot of the flight table; the same table gives the same bytes."""
    return None if found.flights is None else _plotted(pickle.dumps(found.flights))


@functools.lru_cache(maxsize=2)
def _plotted(flights: bytes) -> str:
    """The plot of a table that is pickled here, so that equal ones are drawn once in a process."""
    buffer = io.BytesIO()
    with matplotlib.rc_context({"svg.hashsalt": "lanewright"}):
        figure = flight_figure(pickle.loads(flights))
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    return "data:image/svg+xml;base64," + base64.b64encode(buffer.getvalue()).decode("ascii")


@functools.cache
def _library() -> str:
    """Plotly's script, packed: 1.5 MB of nearly 5, and unpacked only when a view is asked for."""
    packed = gzip.compress(plotly.offline.get_plotlyjs().encode("utf-8"), 9, mtime=0)
    return base64.b64encode(packed).decode("ascii")
