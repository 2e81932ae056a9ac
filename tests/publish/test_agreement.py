"""Page, book, sheet, CSV and GeoPackage of the demo run say the same, each parsed from its file."""

import html
import re
import shutil
import subprocess
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from holes.played_plainly import round_of
from lanewright.holes.expected import Flown
from lanewright.settings.levels import level_named

FOOT = 0.3048  # m, by definition of the international foot


@pytest.fixture(scope="module")
def holes(demo):
    layer = gpd.read_file(demo / "scout.gpkg", layer="layout_holes")
    return layer[layer["proposal"] == 1].sort_values("play_order").reset_index(drop=True)


def printed(path, *part):
    if shutil.which("pdftotext") is None:
        pytest.skip("no poppler: apt-get install poppler-utils")
    command = ["pdftotext", "-layout", *part, path, "-"]
    done = subprocess.run(command, capture_output=True, check=True)
    return done.stdout.decode().replace("\u202f", " ").replace("\u2212", "-")


@pytest.fixture(scope="module")
def sheet(demo):
    right = ["-x", "745", "-y", "0", "-W", "446", "-H", "842"]  # points: A3 without its map
    return printed(demo / "concept-plan.pdf", *right)


@pytest.fixture(scope="module")
def book(demo):
    return printed(demo / "field-book.pdf")


@pytest.fixture(scope="module")
def page(demo):
    text = (demo / "report.html").read_text("utf-8")
    return re.sub(r"<script.*?</script>|<svg.*?</svg>", " ", text, flags=re.S)


def words(text):
    text = html.unescape(re.sub(r"<[^>]+>", " ", text))
    return re.sub(r"\s+", " ", text.replace("\u202f", " ").replace("\xa0", " "))


def whole(text):
    return float(text.replace(",", ""))


def test_the_table_of_holes_is_the_same_in_all_five(demo, holes, page, sheet, book):
    csv = pd.read_csv(demo / "holes.csv", encoding="utf-8-sig")
    csv = csv[csv["proposal"] == 1].reset_index(drop=True)
    assert csv["par"].tolist() == holes["par"].tolist()
    assert csv["length_m"].tolist() == pytest.approx(holes["length_m"].tolist())

    table = re.search(r'<table[^>]*id="table-1".*?</table>', page, re.S)[0]
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.S)[1:]
    read = [re.findall(r'data-value="([^"]*)"', row) for row in rows]
    assert [int(cells[0]) for cells in read] == holes["play_order"].tolist()
    assert [int(cells[1]) for cells in read] == holes["par"].tolist()
    assert [float(cells[2]) for cells in read] == pytest.approx(holes["length_m"].tolist())
    feet = [re.search(r"m \(([\d,]+) ft\)", words(row))[1] for row in rows]
    assert [whole(text) for text in feet] == holes["length_ft"].tolist()

    pattern = r"(?m)(?:^|\s{3,})(\d+)\s+(\d)\s+([\d,]+) m \(([\d,]+) ft\)"
    rows = re.findall(pattern, sheet.split("Budget")[0])
    assert [int(row[0]) for row in rows] == holes["play_order"].tolist()
    assert [int(row[1]) for row in rows] == holes["par"].tolist()
    assert [whole(row[2]) for row in rows] == pytest.approx(holes["length_m"].tolist(), abs=0.56)
    assert [whole(row[3]) for row in rows] == holes["length_ft"].tolist()

    part = book.split("Levels thrown")[0]
    rows = re.findall(r"(?m)^\s{0,3}(\d+)\s+(\d)\s+(\d+\.\d)\s+(-?\d+\.\d)\s", part)
    assert [int(row[0]) for row in rows] == holes["play_order"].tolist()
    assert [int(row[1]) for row in rows] == holes["par"].tolist()
    assert [float(row[2]) for row in rows] == pytest.approx(holes["length_m"].tolist(), abs=0.051)


def test_expected_scores_are_those_of_a_game_thrown_plainly_in_all_five(
    demo, holes, page, sheet, book
):
    """Recomputed for four holes from the legs as published, throw by throw; printed alike."""
    csv = pd.read_csv(demo / "holes.csv", encoding="utf-8-sig")
    csv = csv[csv["proposal"] == 1].reset_index(drop=True)
    legs = gpd.read_file(demo / "scout.gpkg", layer="legs").set_index("leg_id")
    level, rng = level_named(holes["level"][0]), np.random.default_rng(5)
    for _, hole in holes.sort_values("length_m").iloc[::5].iterrows():
        throws = [flown(legs.loc[int(n)]) for n in hole["legs"].split()]
        counts = [round_of(throws, level, rng) for _ in range(3000)]
        assert hole["expected_score_now"] == pytest.approx(np.mean(counts), abs=0.06)
        assert hole["expected_score"] <= hole["expected_score_now"] + 0.005
    table = words(re.search(r'<table[^>]*id="table-1".*?</table>', page, re.S)[0])
    for n, hole in holes.iterrows():
        assert csv["expected_score"][n] == pytest.approx(hole["expected_score"], abs=0.001)
        said = f"{hole['expected_score']:.1f} ± {hole['expected_score_sd']:.1f}"
        assert said in table
        assert re.search(rf"(?m)^\s*{n + 1}\s+\d\s.*{said}", words_by_line(sheet))
        start = re.search(rf"(?m)^\s*Hole {n + 1}\s+par", book).start()
        assert f"Expected score: blue {said}" in words(book[start : start + 3000])
        if hole["view_m"] >= 60:
            assert f"Longest view: {hole['view_m']:.0f} m" in words(book[start : start + 3000])
    total = f"{holes['expected_score'].sum():.1f}"
    for text in (words(page), words(sheet)):
        assert abs(whole(re.search(r"round, blue:? ([\d.]+) ±", text)[1]) - float(total)) < 0.11


def words_by_line(text):
    return text.replace("\xa0", " ")


def flown(leg):
    """A leg of the GeoPackage as `expected.Flown` has it; the ellipse by the leg's own bearing."""
    (x0, y0, *_), (x1, y1, *_) = leg.geometry.coords[0], leg.geometry.coords[-1]
    fails = leg["fail_at_m"] if pd.notna(leg["fail_at_m"]) else leg["pinch_at_m"]
    return Flown(
        leg["length_m"], leg["clear_rate"], fails, leg["lands_wet_share"], leg["unsafe_share"],
        leg["landing_long_m"], leg["landing_wide_m"],
        leg["landing_bearing_deg"] - np.degrees(np.arctan2(x1 - x0, y1 - y0)),
        leg["landing_past_m"],
    )  # fmt: skip


def test_totals_agree(holes, page, sheet, book):
    length = holes["length_m"].sum()
    for text in (words(page), words(sheet)):
        found = re.findall(r"(\d+) holes, par (\d+)[^,.]*?, ([\d,]+) m \(([\d,]+) ft\)", text)
        assert found
        for count, par, metres, feet in found[:1]:
            assert int(count) == len(holes)
            assert int(par) == holes["par"].sum()
            assert whole(metres) == pytest.approx(length, abs=1.4)
            assert whole(feet) == pytest.approx(length / FOOT, abs=3.5)  # 18 roundings to 0.1 m
    said = re.search(r"Lengths add up to ([\d,]+) m", words(book))
    assert whole(said[1]) == pytest.approx(length, abs=1.4)


def test_trimming_is_worded_alike_on_page_sheet_and_book(holes, page, sheet, book):
    """Where there are hours, where none are needed or help, and where no plan was made."""
    table = re.search(r'<table[^>]*id="table-1".*?</table>', page, re.S)[0]
    rows = re.findall(r"<tr>(.*?)</tr>", table, re.S)[1:]
    said = [words(re.findall(r"<td.*?</td>", row, re.S)[-2]).strip() for row in rows]
    for text, (_, hole) in zip(said, holes.iterrows(), strict=True):
        high = hole["trim_hours_high"]
        if pd.isna(high):
            assert text == "not planned"
        elif high == 0:
            assert text == (
                "no work needed" if hole["clear_rate"] >= 2 / 3 else "no work helps enough"
            )
        else:
            assert re.fullmatch(r"(?:under 0\.1|[\d.]+)(?:–[\d.]+)? h", text)
            last = float(re.findall(r"[\d.]+", text)[-1])
            assert last == pytest.approx(high, abs=0.51 if high >= 10 else 0.051)
    for number, text in enumerate(said, start=1):
        start = re.search(rf"(?m)^\s*Hole {number}: on foot", book).start()
        mine = book[start : start + 6000]
        wanted = f"Trim work, {text.removesuffix(' h')} hours" if text.endswith(" h") else text
        assert wanted.lower() in words(mine).lower()
        if text.endswith(" h"):
            assert text in words(sheet)
    unplanned = holes.loc[holes["trim_hours_high"].isna(), "play_order"]
    if len(unplanned):
        for text in (words(page), words(sheet)):
            end = re.search(r"holes? ([\d, and]+) not planned", text)[1]
            assert [int(n) for n in re.findall(r"\d+", end)] == unplanned.tolist()


def test_walks_fire_and_water_agree(demo, page, sheet):
    walks = gpd.read_file(demo / "scout.gpkg", layer="layout_walks")
    walks = walks[walks["proposal"] == 1]
    said = re.search(r"Walks and trails ([\d,]+) m", words(sheet))
    # Each walk is rounded to 0.1 m in the layer, their sum to 1 m on the sheet.
    assert whole(said[1]) == pytest.approx(walks["length_m"].sum(), abs=0.51 + 0.05 * len(walks))
    fire = walks["crosses"].dropna()
    terms = re.search(r"Walks through a line of fire\s+(\d+|none)", words(page))
    assert terms[1] == (str(len(fire)) if len(fire) else "none")
    walked = re.search(r"(\d+) walks? comes? into the line of fire", words(sheet))
    assert (int(walked[1]) if walked else 0) == len(fire)


def test_unfair_holes_keep_it_from_fitting(demo, holes, page):
    """By the column of the layer, never by the sentence's own count."""
    layer = gpd.read_file(demo / "scout.gpkg", layer="holes").set_index("hole_id")
    unfair = holes.loc[holes["hole_id"].map(layer["fair"]) == "no", "play_order"].tolist()
    line = re.search(r"Does it fit\?\s*(.*?)What the land offers", words(page))[1]
    assert line.startswith("Not yet" if unfair else "Yes")
    for number in unfair:
        assert re.search(rf"not fair \(holes? [\d, and]*\b{number}\b", line)


def test_keep_outs_lie_in_the_geopackage_with_their_buffers(demo):
    """The demo's files, buffered anew: 6 m about the road, 10 m about the yard, on its land."""
    layer = gpd.read_file(demo / "scout.gpkg", layer="keep_out")
    root = Path(__file__).resolve().parents[2] / "sample_tiles"
    wanted = None
    for name, buffer in (("road", 6.0), ("yard", 10.0)):
        area = gpd.read_file(root / f"{name}.gpkg").to_crs(layer.crs).buffer(buffer).union_all()
        wanted = area if wanted is None else wanted.union(area)
    assert layer.union_all().symmetric_difference(wanted).area < 0.01 * wanted.area
    assert layer["area_m2"].sum() == pytest.approx(layer.area.sum(), rel=0.001)


def test_no_number_of_a_candidate_reaches_a_reader(demo, page, sheet, book):
    """Holes of a round have at most two figures; layers number theirs with three and more."""
    texts = [words(page), words(sheet), words(book)]
    texts += [(demo / f"field-points.{kind}").read_text("utf-8") for kind in ("gpx", "kml")]
    for text in texts:
        assert re.findall(r"\b(?:hole|tree|piece|site|number) \d{3,}.{20}", text) == []
