"""Worth, confidence and order, held against sums by hand."""

import datetime as dt

import pytest

from lanewright.rank.worth import confidence_of, fits, judged, ordered, terms_of
from lanewright.settings.rank import RankSettings, WorthSettings

ROW = {
    "holes_by_area": 12, "lines_apart": 6, "fair_lines": 9, "feature_value": 1.5,
    "wet_share": 0.1, "maybe_wet_share": 0.2, "steep_share": 0.3, "closed_share": 0.25,
    "features": "2 tunnel, 1 carry", "best_feature": "carry", "flown": "2016-03-01 to 2016-03-14",
    "first_returns": 2.0, "covered_share": 1.0, "seen_share": 0.8,
}  # fmt: skip
SET = RankSettings()


def test_terms_by_hand():
    # (12 + 6) / 2 of 18; 1.5 of 3; 9 of 18; 1 - 0.1 / 0.4; 1 - 0.3 / 0.6; 1 - 0.25
    assert terms_of(ROW, SET, 18) == pytest.approx(
        {"room": 0.5, "features": 0.5, "fair": 0.5, "dry": 0.75, "gentle": 0.5, "clear": 0.75}
    )


def test_a_round_that_was_laid_out_takes_the_place_of_the_estimate():
    full = ROW | {"holes_fit": 9, "fair_holes": 6}
    terms = terms_of(full, SET, 18)
    assert (terms["room"], terms["fair"]) == pytest.approx((9 / 18, 6 / 18))


def test_worth_is_the_mean_by_the_weights_of_the_settings():
    only = WorthSettings(room=0, features=0, fair=0, dry=0.3, gentle=0.1, clear=0)
    row = judged(ROW, RankSettings(worth=only), 18)
    assert row["worth"] == pytest.approx((0.3 * 0.75 + 0.1 * 0.5) / 0.4)


@pytest.mark.parametrize("term", list(WorthSettings.model_fields))
def test_every_weight_can_turn_the_order(term):
    """Two parcels alike but for one term: that term decides, unless it weighs nothing."""
    better = {
        "room": {"holes_by_area": 18, "lines_apart": 18}, "features": {"feature_value": 3.0},
        "fair": {"fair_lines": 18}, "dry": {"wet_share": 0.0}, "gentle": {"steep_share": 0.0},
        "clear": {"closed_share": 0.0},
    }[term]  # fmt: skip

    def order(settings):
        pair = {"a": ROW, "b": ROW | better}
        rows = [
            judged(row, settings, 18) | {"parcel_id": key, "status": "ranked"}
            for key, row in pair.items()
        ]
        return [row["parcel_id"] for row in ordered(rows)]

    assert order(SET) == ["b", "a"]
    assert order(RankSettings(worth=WorthSettings(**{term: 0.0}))) == ["a", "b"]


def test_what_is_not_known_is_left_out_and_said():
    row = judged(ROW | {"wet_share": None, "maybe_wet_share": None}, SET, 18)
    # weights .35 .25 .15 .05 .1 of the known terms .5 .5 .5 .5 .75
    assert row["worth"] == pytest.approx((0.5 * 0.8 + 0.75 * 0.1) / 0.9)
    assert "not known: likely wet" in row["reason"]


def test_confidence_by_hand():
    young = judged(ROW, SET, 18)
    # cover 1, searched 0.8, 2 of 4 first returns, quick 0.7; the age is not known
    assert young["confidence"] == pytest.approx(1 * 0.8 * 0.5 * 0.7)
    assert young["survey_years"] is None
    old = judged(ROW, SET, 18, dt.date(2026, 3, 14))  # ten years on: half
    assert old["survey_years"] == pytest.approx(10, abs=0.01)
    assert old["confidence"] == pytest.approx(0.14, abs=1e-3)
    full = ROW | {"holes_fit": 9, "fair_holes": 6, "survey_years": None}
    assert confidence_of(full, SET) == pytest.approx(0.4)


@pytest.mark.parametrize(
    ("laid", "wanted", "nine", "eighteen"),
    [
        (None, 18, "possible", "unlikely"),
        (12, 18, "yes", "no"),
        (18, 18, "yes", "yes"),
        (9, 9, "yes", "unlikely"),  # nobody asked for more than nine: the area has the word
        (4, 9, "no", "no"),
    ],
)
def test_what_fits(laid, wanted, nine, eighteen):
    row = ROW | ({} if laid is None else {"holes_fit": laid})
    assert (fits(row, 9, wanted), fits(row, 18, wanted)) == (nine, eighteen)


def test_open_lines_far_enough_apart_make_it_likely():
    assert fits(ROW | {"lines_apart": 9}, 9, 18) == "likely"


def test_failed_parcels_come_last_without_a_rank():
    rows = [
        {"parcel_id": "x", "status": "failed"},
        {"parcel_id": "b", "status": "ranked", "worth": 0.5},
        {"parcel_id": "a", "status": "ranked", "worth": 0.5},
        {"parcel_id": "c", "status": "ranked", "worth": 0.6},
    ]
    assert [(r["parcel_id"], r["rank"]) for r in ordered(rows)] == [
        ("c", 1), ("a", 2), ("b", 3), ("x", None),
    ]  # fmt: skip
