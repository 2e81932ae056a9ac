"""The hole table as a spreadsheet reads it: no name of the user's starts a formula."""

import csv

import pytest

from lanewright.base.text import inert
from lanewright.publish.tables import write_holes_csv
from publish.frames import frame

FORMULAS = [
    "=cmd|' /C calc'!A0", '=HYPERLINK("http://example.invalid","x")', "+1+1", "-2+3", "@SUM(A1)",
    "\t=1", "  =1+1", "＝1+1",
]  # fmt: skip
"""Starts named by the OWASP page on CSV injection, and the same behind spaces or in wide signs."""


@pytest.mark.parametrize("text", FORMULAS)
def test_a_formula_in_a_name_is_text_in_the_table(tmp_path, text):
    layout = frame("layout_holes", 3)
    layout["name"] = [text, "oak - creek", None]
    write_holes_csv(tmp_path / "holes.csv", layout)
    with (tmp_path / "holes.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert {row["name"] for row in rows} == {"'" + text.strip(), "oak - creek", ""}
    assert not [v for row in rows for v in row.values() if v.startswith(tuple("=@\t\r"))]


def test_numbers_below_zero_stay_numbers(tmp_path):
    layout = frame("layout_holes", 3)
    layout["rise_m"] = [-3.5, 0.0, 2.0]
    write_holes_csv(tmp_path / "holes.csv", layout)
    with (tmp_path / "holes.csv").open(encoding="utf-8-sig", newline="") as file:
        assert sorted(float(row["rise_m"]) for row in csv.DictReader(file)) == [-3.5, 0.0, 2.0]


def test_plain_names_stay_as_they_are():
    for name in ("Oak", "7", "O'Brien", "空地", "a = b", ""):
        assert inert(name) == name
