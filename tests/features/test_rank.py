"""The order of features: worth times certainty, with room for what differs."""

import shapely

from lanewright.features.found import Found
from lanewright.features.rank import order_of, strongest, worth_of
from lanewright.settings.features import FeaturesSettings, KindWeights

PLAIN = FeaturesSettings(rarity=0.0, repeat=1.0, near_share=1.0)


def thing(kind, worth, certainty=1.0, at=0.0):
    line = shapely.LineString([(at, 0), (at + 50, 0)])
    return Found(kind, line, worth, certainty, "", "")


def kinds_first(found, settings):
    worth = worth_of(found, settings)
    value = worth * [f.certainty for f in found]
    return [found[k] for k in order_of(found, value, settings)]


def test_certainty_counts_as_much_as_worth():
    sure, unsure = thing("drop", 0.6, 0.9, 0), thing("drop", 0.9, 0.5, 1000)
    assert kinds_first([unsure, sure], PLAIN) == [sure, unsure]


def test_weights_of_kinds_decide_among_equals():
    found = [thing("drop", 0.8, at=0), thing("view", 0.8, at=1000)]
    assert kinds_first(found, PLAIN)[0].kind == "drop"
    turned = PLAIN.model_copy(update={"weights": KindWeights(drop=0.2, view=1.0)})
    assert kinds_first(found, turned)[0].kind == "view"


def test_a_rare_kind_goes_before_a_common_one():
    tunnels = [thing("tunnel", 0.8, at=1000.0 * k) for k in range(9)]
    pond = thing("carry", 0.6, at=-5000)
    assert kinds_first([*tunnels, pond], PLAIN)[0].kind == "tunnel"
    rare = PLAIN.model_copy(update={"rarity": 0.5})
    assert kinds_first([*tunnels, pond], rare)[0].kind == "carry"


def test_each_further_one_of_a_kind_counts_less():
    found = [thing("drop", 0.8, at=0), thing("drop", 0.78, at=1000), thing("gap", 0.9, at=2000)]
    plain = PLAIN.model_copy(update={"weights": KindWeights(drop=1.0, gap=0.8)})
    assert [f.kind for f in kinds_first(found, plain)] == ["drop", "drop", "gap"]
    varied = plain.model_copy(update={"repeat": 0.8})
    assert [f.kind for f in kinds_first(found, varied)] == ["drop", "gap", "drop"]


def test_what_lies_on_a_feature_ranked_before_counts_less():
    found = [thing("carry", 0.9, at=0), thing("drop", 0.9, at=5), thing("view", 0.9, at=900)]
    even = PLAIN.model_copy(update={"weights": KindWeights(carry=1.0, drop=0.9, view=0.7)})
    assert [f.kind for f in kinds_first(found, even)] == ["carry", "drop", "view"]
    apart = even.model_copy(update={"near_share": 0.5})
    assert [f.kind for f in kinds_first(found, apart)] == ["carry", "view", "drop"]
    far = apart.model_copy(update={"near": 1.0})
    moved = [found[0], thing("drop", 0.9, at=60), found[2]]
    assert [f.kind for f in kinds_first(moved, far)] == ["carry", "drop", "view"]


def test_no_kind_fills_what_is_shown():
    drops = [thing("drop", 0.9, at=1000.0 * k) for k in range(6)]
    gaps = [thing("gap", 0.2, at=-1000.0 * k - 500) for k in range(3)]
    few = PLAIN.model_copy(update={"shown": 5, "first_of_kind": 2})
    shown = kinds_first([*drops, *gaps], few)[:5]
    assert [f.kind for f in shown].count("gap") == 2
    many = few.model_copy(update={"first_of_kind": 60})
    assert {f.kind for f in kinds_first([*drops, *gaps], many)[:5]} == {"drop"}


def test_the_strongest_of_each_kind_are_kept():
    drops = [thing("drop", 0.1 * k, at=1000.0 * k) for k in range(1, 6)]
    assert [round(f.worth, 1) for f in strongest(drops, 2)] == [0.5, 0.4]
