"""From tiles to what is published: holes of rounds have tees for other levels and other pins."""

import html
import json
import re

import geopandas as gpd
import pytest
import shapely

from run.runs import called
from small import SETTINGS, small_property


def scouted(folder):
    """A hectare for blue and red; one candidate alone has other positions looked for beforehand."""
    layout = SETTINGS["layout"] | {
        "level": "red",
        "hole": {"keep": 60, "most_legs": 2, "positions_per_ha": 0.01},
        "safety": {"fairway": [25, 15], "boundary": [10, 8]},
    }  # fmt: skip
    called("scout", small_property(folder, levels=["blue", "red"], layout=layout))
    out = folder / "out"
    names = "layout_holes", "hole_positions", "legs"
    found = {name: gpd.read_file(out / "scout.gpkg", layer=name) for name in names}
    summary = json.loads((out / "summary.json").read_text())
    return found, summary["findings"]["holes"], summary["warnings"]


def test_walks_back_along_a_hole_are_listed_among_rules_broken(tmp_path):
    """Where no metre of it is allowed and the green ends a metre from the basket."""
    layout = SETTINGS["layout"] | {
        "safety": {"walk_back": 0.0, "handover": 1.0}, "most_walk": 0.1,
    }  # fmt: skip
    layout["weights"] = {"ease": 50.0}
    field = {
        "season": [12, 1], "sun_height": 50, "sun_aside": 90, "wind_from": 225, "beside": 120,
    }  # fmt: skip
    called("scout", small_property(tmp_path, layout=layout, field=field))
    summary = json.loads((tmp_path / "out" / "summary.json").read_text())
    holes = gpd.read_file(tmp_path / "out" / "scout.gpkg", layer="layout_holes")
    # A low sun up to 50 degrees high and 90 to either side stands ahead of every tee some time.
    low = holes[["sun_morning", "sun_evening"]].stack()
    assert set(low) <= {"December", "January", "December and January"}
    assert low.groupby(level=0).size().reindex(holes.index).ge(1).all()
    assert holes["wind"].notna().all()
    assert holes["consider"].str.contains("the property line").all()
    # Ease counts as the weight says, by the numbers published; there is no water to carry.
    (round_,) = summary["findings"]["layout"]["proposals"]
    steep = 100 * holes["rise_m"].abs() / holes["length_m"]
    easy = holes["clear_rate"] * 0.5 ** (steep / 3.0)
    assert round_["terms"]["ease"] == pytest.approx(50 * easy.sum(), abs=1.5)
    assert round_["terms"]["ease"] > 10
    rules = summary["findings"]["layout"]["rules_broken"]
    found = [text for each in rules.values() for text in each if "walk back along" in text]
    assert found
    # And with more walk than it may have, the land is called no course, on page and in summary.
    (said,) = [text for text in summary["warnings"] if text.startswith("no land for a course")]
    assert re.search(r"\d fit, with [\d,]+ m \(.* ft\) of walk for .* of play, because", said)
    assert said[1:] in html.unescape((tmp_path / "out" / "report.html").read_text("utf-8"))
    assert len(summary["findings"]["layout"]["proposals"]) == 1
    assert all("where at most 0.0 m are allowed" in text for text in found)


def test_holes_of_rounds_have_other_tees_and_pins(tmp_path):
    found, facts, warnings = scouted(tmp_path)
    rounds, positions = found["layout_holes"], found["hole_positions"]
    legs = found["legs"].set_index("leg_id")
    played = positions[positions["hole_id"].isin(rounds["hole_id"])]
    assert played["hole_id"].nunique() >= 2
    assert set(played["position"]) == {"tee", "pin"}
    assert positions["position_id"].tolist() == list(range(1, len(positions) + 1))
    for row in played.itertuples():
        line = shapely.force_2d(legs.geometry[row.leg_id])
        end = shapely.get_point(line, 0 if row.position == "tee" else -1)
        assert end.distance(row.geometry) < 1
        assert row.level == legs["level"][row.leg_id]
        assert (row.level == "blue") == (row.position == "tee")  # the rounds are for red
    with_tee = rounds["hole_id"].isin(played.loc[played["position"] == "tee", "hole_id"])
    said = rounds["other_levels"].str.contains(r" m \(")  # a length
    assert (said == with_tee).all()
    # More walk than play, or fewer holes than asked for: the other level is the second answer.
    (said,) = [text for text in warnings if text.startswith("for blue")]
    assert re.fullmatch(r"for blue \d+ holes keep apart, walks left aside; .*level: blue.*", said)
    assert facts["of these with another tee"] == played.query("position == 'tee'").hole_id.nunique()
    assert facts["of these with another pin"] == played.query("position == 'pin'").hole_id.nunique()
