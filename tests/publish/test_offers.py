"""Features and the first walk on the page, in the book and among the points, as published."""

from dataclasses import replace

import pytest

from lanewright.publish.book import write_fieldbook
from lanewright.publish.fieldpoints import field_points
from lanewright.publish.report.offers import offered
from lanewright.publish.report.page import build_report
from lanewright.visit.outing import Spot, as_published, outing_of
from publish import outings
from publish.findings import made
from publish.frames import UTM, frame
from publish.test_fieldbook import about_of, book_of, text_of
from publish.test_report import Page


@pytest.fixture(scope="module")
def features():
    rows = frame("features", 5, UTM)
    rows["shown"] = [True, True, True, False, False]
    rows["name"] = [f"tunnel number {k}" for k in range(1, 6)]
    rows["reason"] = [f"because of {k}" for k in range(1, 6)]
    rows["levels"] = ["blue, red", None, None, None, None]
    return as_published("features", rows)


@pytest.fixture(scope="module")
def walk():
    rows = frame("first_walk", 4, UTM)
    rows["visit"] = ["short", "short", "day", "day"]
    rows["stop"] = ["F2 Q1", "START", "F1", "START"]
    rows["what"] = ["seen at the second", "back", "seen at the first", "back"]
    return as_published("first_walk", rows)


@pytest.fixture(scope="module")
def found(features, walk):
    run = made().found
    findings = dict(run.summary["findings"])
    findings["first_walk"] = {"begins": "from the gate", "short": "1 stop", "day": "1 stop too"}
    return replace(
        run,
        layers={**run.layers, "features": features, "first_walk": walk},
        summary={**run.summary, "findings": findings},
    )


def test_the_page_names_what_is_shown_with_its_reason_and_the_walks(found):
    page = Page(build_report(found))
    words = " ".join(page.words.split())
    for k in (1, 2, 3):
        assert f"F{k} Tunnel number {k}because of {k}" in words
    assert "Tunnel number 4" not in words
    assert "5 features in all" in words
    assert "as it stands for blue and red" in words
    assert "A walk for the short visit: 1 stop" in words
    assert "From the gate." in words
    assert "Seen at the second" in words
    assert ("section", "offers") in {(tag, attrs.get("id")) for tag, attrs in page.tags}
    # The line beside the map names the first.
    named = "F1 tunnel number 1; F2 tunnel number 2; F3 tunnel number 3"
    assert f"{named}." in words
    every = found.layers["features"].assign(shown=True)
    said = offered(replace(found, layers=found.layers | {"features": every}))
    assert said == f"{named}; 2 more features described below."


def test_a_run_without_features_has_no_such_section(found):
    layers = {k: v for k, v in found.layers.items() if k not in ("features", "first_walk")}
    page = Page(build_report(replace(found, layers=layers)))
    assert "What the land offers" in page.words  # the line beside the map stays
    assert ("section", "offers") not in {(tag, attrs.get("id")) for tag, attrs in page.tags}


def test_the_book_shows_them_before_the_holes(features, walk, tmp_path):
    book = replace(book_of(), features=features, walk=walk)
    write_fieldbook(tmp_path / "a.pdf", book, replace(about_of(), begins="from the gate"))
    text = text_of(tmp_path / "a.pdf")
    assert "Tunnel number 1" in text
    assert "Tunnel number 4" not in text
    assert "as it stands for blue, red" in text
    assert text.index("Tunnel number 1") < text.index("First walk, the short visit")
    assert "From the gate." in text
    assert "seen at the second" in text


def test_points_and_routes_of_the_walk(features, walk):
    outing = outing_of(outings.layers(), 18, Spot(*outings.START, 101.0))
    check = as_published("field_checks", frame("field_checks", 1, UTM))
    points, routes = field_points(outing, check, UTM, features, walk)
    named = {p.name: p for p in points}
    assert {"F1", "F2", "F3"} <= set(named)
    assert "F4" not in named
    assert named["F1"].text == "tunnel number 1. because of 1"
    assert {r.name: r.stops for r in routes}["FIRST"] == ("START", "F2", "Q1", "START")
    assert {r.name: r.stops for r in routes}["DAY"] == ("START", "F1", "START")


def test_names_and_reasons_come_in_the_readers_unit(found):
    named = found.layers["features"].assign(
        name="drop in the wood, 7.1 m (23 ft)", reason="It falls 7.1 m (23 ft) over 94 m (308 ft)."
    )
    for units, name, reason in (
        ("feet", "23 ft (7.1 m)", "It falls 23 ft (7.1 m) over 308 ft (94 m)."),
        ("metres", "7.1 m (23 ft)", "It falls 7.1 m (23 ft) over 94 m (308 ft)."),
    ):
        config = found.config.model_copy(update={"units": units})
        run = replace(found, config=config, layers=found.layers | {"features": named})
        words = " ".join(Page(build_report(run)).words.split())
        assert f"F1 Drop in the wood, {name}" in words.replace("\u202f", " ")
        assert reason in words
