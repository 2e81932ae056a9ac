"""From tiles to what is published: each leg of a proposed round has its trim work planned."""

import json
import sqlite3

import pandas as pd

from lanewright.layout.proposals import Layouts
from lanewright.layout.roundwork import beyond
from run.runs import called
from small import SETTINGS, small_property


def table(out, name, columns="*"):
    with sqlite3.connect(out / "scout.gpkg") as file:
        return pd.read_sql(f"select {columns} from {name}", file)


def test_every_leg_of_a_round_is_planned_though_few_were_before_it_was_laid_out(tmp_path):
    """Of this wood a setting lets one leg be planned before; the rounds play more than that."""
    wished = dict.fromkeys(("open", "edge", "lane", "tunnel"), 0.99)  # hardly any leg is so clear
    trim = {"legs": 1, "throws": 100, "wished": wished}
    layout = SETTINGS["layout"] | {"most_walk": 9}
    called("scout", small_property(tmp_path, trim=trim, layout=layout))
    out = tmp_path / "out"
    rounds, holes = table(out, "layout_holes"), table(out, "holes")
    work = table(out, "trim_work", "work_id, piece_id, leg_id, chosen, walk_order, hours_high")
    assert len(rounds) >= 3
    assert rounds[["trim_hours_low", "trim_hours_high"]].notna().all(axis=None)
    # The same hours beside the hole wherever it is published.
    hours = holes.set_index("hole_id")["trim_hours_high"]
    assert (rounds["trim_hours_high"] == rounds["hole_id"].map(hours)).all()
    played = rounds["legs"].astype(str).str.split().explode().astype(int)
    assert played.nunique() > 2
    assert set(work["leg_id"]) & set(played)
    summary = json.loads((out / "summary.json").read_text())["findings"]
    assert summary["trim"]["legs"] >= played.nunique()
    for proposal in summary["layout"]["proposals"]:
        assert proposal["holes with trimming unplanned"] == 0
        mine = rounds[rounds["proposal"] == proposal["proposal"]]
        assert abs(proposal["trim_hours_high"] - mine["trim_hours_high"].sum()) < 0.05
    # One number for each row, and one place in the walk for each piece that is chosen.
    assert work["work_id"].is_unique
    chosen = work[work["chosen"] == 1]
    assert sorted(chosen["walk_order"].unique()) == list(range(1, chosen["piece_id"].nunique() + 1))


def test_a_round_that_turns_out_to_take_more_hours_than_it_may_is_named():
    proposals = ({"proposal": 1, "trim_hours_high": 7.5}, {"proposal": 2, "trim_hours_high": 8.6})
    rounds = Layouts(None, None, None, proposals)
    (said,) = beyond(rounds, 8.0)
    assert said.startswith("proposal 2")
    assert "9 hours of trimming where 8 are allowed" in said
    assert beyond(rounds, None) == []
