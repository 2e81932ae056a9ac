"""The owner's sheet read back with poppler, its sums made again from the layers."""

import re
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from lanewright.base.errors import InputError
from lanewright.publish.budget import needs_of, total
from lanewright.publish.sheet import write_sheet
from lanewright.settings.costs import costs_of
from lanewright.visit.outing import Spot, outing_of
from publish import outings
from publish.findings import made
from publish.test_fieldbook import poppler, text_of

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def run():
    """Findings whose layers are those of the made-up outing, on the land of the made-up run."""
    found = made().found
    return replace(found, layers=dict(found.layers))


@pytest.fixture(scope="module")
def outing():
    return outing_of(outings.layers(), 18, Spot(*outings.START, 101.0))


def written(run, outing, folder) -> Path:
    path = folder / "concept-plan.pdf"
    write_sheet(path, run, outing)
    return path


@pytest.mark.parametrize(
    ("paper", "size", "times"),
    [
        ("a5", (1190.55, 841.89), 1),
        ("half-letter", (1224, 792), 1),
        ("half-letter", (1224, 792), 9),
    ],
)
def test_it_is_one_page_of_its_size_however_many_holes(run, outing, tmp_path, paper, size, times):
    """A3 is 420 x 297 mm (ISO 216), tabloid 17 x 11 in; 27 holes still fit."""
    field = run.config.field.model_copy(update={"paper": paper})
    config = run.config.model_copy(update={"field": field})
    many = replace(outing, holes=outing.holes * times)
    path = written(replace(run, config=config), many, tmp_path)
    said = poppler("pdfinfo", path)
    assert re.search(r"Pages:\s+1\n", said)
    wide, tall = (float(v) for v in re.search(r"Page size:\s+([\d.]+) x ([\d.]+)", said).groups())
    assert (wide, tall) == pytest.approx(size, abs=0.1)


def test_what_an_owner_asks_is_on_it(run, outing, tmp_path):
    text = text_of(written(run, outing, tmp_path))
    for words in (
        "concept plan", "2021-03-17", "Legend", "Desk study only", "Budget, USD of 2024",
        "Phases", "Cautions", "1 : ", "from memory", "of brush", "flood zone",
    ):  # fmt: skip
        assert words.lower() in text.lower()


def test_wires_roads_and_other_tees_are_in_its_legend_where_they_are_on_its_map(outing, tmp_path):
    run = made().found
    text = text_of(written(run, outing, tmp_path))
    for words in ("tee of another level", "other place of the basket"):
        assert words in text
    for name, words in (
        ("wires", "overhead wire in the lidar"),
        ("keep_out_lines", "as its file draws it"),
        ("buildings", "building or bridge, from the lidar"),
    ):
        assert words in text
        without = replace(run, layers={k: v for k, v in run.layers.items() if k != name})
        assert words not in text_of(written(without, outing, tmp_path))


def test_the_same_results_make_the_same_sheet(run, outing, tmp_path):
    first = written(run, outing, tmp_path).read_bytes()
    assert written(run, outing, tmp_path).read_bytes() == first


def test_the_budget_counts_what_the_layers_hold(run):
    """Added up anew by pandas from the layers of the first proposal."""
    needs = {need.item: need for need in needs_of(run, costs_of(None))}
    layout, walks = run.layers["layout_holes"], run.layers["layout_walks"]
    best = layout[layout["proposal"] == layout["proposal"].min()]
    ways = walks[walks["proposal"] == layout["proposal"].min()]
    assert needs["basket"].low == needs["basket"].high == len(best)
    assert needs["bridge"].high == pytest.approx(ways["bridge_m"].sum())
    assert needs["trail"].high == pytest.approx(ways["length_m"].sum())
    work = run.layers["trim_work"]
    mine = work[work["chosen"] & work["leg_id"].isin(best["hole_id"])]  # hole n plays leg n
    once = mine.groupby("piece_id").agg({"hours_high": "max"})
    clearing = [need for item, need in needs.items() if item.startswith("clearing")]
    assert sum(need.high for need in clearing) == pytest.approx(once["hours_high"].sum())


def test_nothing_is_summed_without_its_range(run):
    needs = needs_of(run, costs_of(None))
    low, high = total(needs)
    money = pd.DataFrame([need.money for need in needs], columns=["low", "high"])
    assert (money["low"] <= money["high"]).all()
    assert (low, high) == pytest.approx(tuple(money.sum()))
    assert low < high


def test_every_cost_says_where_it_comes_from_and_the_copy_is_the_same():
    """The two files are one: what a designer copies is what a run takes by default."""
    ours = ROOT / "pipeline" / "lanewright" / "tables" / "costs.csv"
    assert (ROOT / "configs" / "costs.csv").read_bytes() == ours.read_bytes()
    for cost in costs_of(None).values():
        assert cost.source
        assert cost.year > 2000
        assert 0 <= cost.low <= cost.high


def test_a_table_of_ones_own_is_taken(run, outing, tmp_path):
    file = tmp_path / "mine.csv"
    file.write_text("item,per,low,high,currency,year,source\nbasket,each,100,200,EUR,2026,a bid\n")
    config = run.config.model_copy(
        update={"field": run.config.field.model_copy(update={"costs_file": file})}
    )
    text = text_of(written(replace(run, config=config), outing, tmp_path))
    assert "Budget, EUR of 2026" in text
    assert "no cost known" in text  # for all but baskets
    assert "mine.csv" in text


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("item,per\nbasket,each\n", "lacks the column"),
        ("item,per,low,high,currency,year,source\nbasket,each,x,2,USD,2024,\n", "must be numbers"),
        ("item,per,low,high,currency,year,source\nbasket,each,9,2,USD,2024,\n", "no range"),
        ("item,per,low,high,currency,year,source\na,each,1,2,USD,2024,\nb,each,1,2,EUR,2024,\n",
         "several currencies"),
    ],
)  # fmt: skip
def test_a_bad_table_of_costs_is_refused(tmp_path, text, problem):
    file = tmp_path / "costs.csv"
    file.write_text(text)
    with pytest.raises(InputError, match=problem):
        costs_of(file)
