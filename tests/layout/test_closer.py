"""What a proposal says of the first features after its holes have moved."""

from lanewright.layout.closer import _with_features


def features(**rows):
    return {
        "idea": "shortest walks",
        "features": [{"feature_id": int(k[1:]), **v} for k, v in rows.items()],
    }


def test_features_left_out_keep_what_the_search_knew_and_new_ones_say_why():
    """1 is used as before, 2 no more, 3 was left out by the search, 4 is new among the used."""
    before = features(
        f1={"holes": [3], "holes that use it": 9, "candidates": 7},
        f2={"holes": [5], "holes that use it": 4, "candidates": 2},
        f3={"holes": [], "holes that use it": 8, "candidates": 6, "in_conflict": 2, "walk_m": 90.0},
        f4={"holes": [], "holes that use it": 5, "candidates": 5, "in_conflict": 1, "walk_m": 40.0},
    )
    now = features(
        f1={"holes": [2], "holes that use it": 1, "candidates": 1},
        f2={"holes": [], "holes that use it": 1, "candidates": 1, "in_conflict": 1, "walk_m": 25.0},
        f3={"holes": [], "holes that use it": 0, "candidates": 0},
        f4={"holes": [6], "holes that use it": 1, "candidates": 1},
    )
    got = {row["feature_id"]: row for row in _with_features(now, before)["features"]}
    assert got[1] == {"feature_id": 1, "holes": [2], "holes that use it": 9, "candidates": 7}
    assert (got[2]["holes"], got[2]["in_conflict"], got[2]["walk_m"]) == ([], 1, 25.0)
    assert got[2]["candidates"] == 2
    assert (got[3]["candidates"], got[3]["in_conflict"], got[3]["walk_m"]) == (6, 2, 90.0)
    assert got[4]["holes"] == [6]
