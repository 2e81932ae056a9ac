"""The notebook in `sample_tiles/`, executed whole on the demo run."""

import re
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from run.runs import environment

PATH = Path(__file__).resolve().parents[2] / "sample_tiles" / "hollow-creek.ipynb"


@pytest.fixture(scope="module")
def executed(demo) -> nbformat.NotebookNode:
    book = nbformat.read(PATH, as_version=4)
    client = NotebookClient(
        book, timeout=600, kernel_name="python3", resources={"metadata": {"path": PATH.parent}}
    )
    client.execute(env=environment() | {"LANEWRIGHT_DEMO": str(demo), "MPLBACKEND": "inline"})
    return book


def outputs(book, kind):
    return [
        out["data"][kind] if "data" in out else out["text"]
        for cell in book.cells
        if cell.cell_type == "code"
        for out in cell.outputs
        if kind in out.get("data", {}) or out.get("name") == kind
    ]


def test_it_is_stored_without_outputs():
    for cell in nbformat.read(PATH, as_version=4).cells:
        assert not cell.get("outputs")
        assert cell.get("execution_count") is None


def test_it_draws_land_tunnel_and_throws(executed):
    assert len(outputs(executed, "image/png")) == 3
    assert "tunnel" in outputs(executed, "text/html")[0]


def test_the_rate_by_hand_is_that_of_the_table(executed):
    """By Beer-Lambert over the throws in numpy; the table adds what it expects where unseen."""
    (said,) = [text for text in outputs(executed, "stdout") if "by hand" in text]
    by_hand, published = (float(number) for number in re.findall(r"\d\.\d+", said))
    assert published - 0.002 <= by_hand < published + 0.05


def test_the_line_of_ones_own_has_a_score(executed):
    assert "clear_rate_low" in outputs(executed, "text/html")[-1]
