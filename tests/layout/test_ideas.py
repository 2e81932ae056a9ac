"""What each proposal is after: which weights count for more, and that nothing else changes."""

import pytest

from lanewright.layout.ideas import best_at, idea_of, settings_for
from lanewright.settings.layout import LayoutSettings, MixSettings, WeightSettings

WEIGHTS = WeightSettings(quality=110, trim=3, lane_kind=7, ease=1)
GIVEN = LayoutSettings(
    ideas=["most wooded", "least cutting"], weights=WEIGHTS, mix=MixSettings(wooded=0.3, open=0.4)
)


def test_ideas_take_turns():
    assert [idea_of(number, GIVEN) for number in range(4)] == 2 * ["most wooded", "least cutting"]


@pytest.mark.parametrize(
    ("idea", "weights", "mix"),
    [
        ("shortest walks", {"quality": 55}, {}),
        ("most character", {"quality": 220}, {}),
        ("least cutting", {"trim": 18}, {}),
        ("most wooded", {"lane_kind": 21}, {"wooded": 1.0, "open": 0.0}),
        ("gentlest for beginners", {"quality": 0.0, "ease": 110}, {}),
    ],
)
def test_an_idea_changes_what_it_is_named_for_and_nothing_else(idea, weights, mix):
    """Factors are ours; `TIMES` names them, this table says what they come to."""
    found = settings_for(idea, GIVEN)
    assert found.weights.model_dump() == WEIGHTS.model_dump() | weights
    assert found.mix.model_dump() == GIVEN.mix.model_dump() | mix
    assert found.model_dump(exclude={"weights", "mix"}) == GIVEN.model_dump(
        exclude={"weights", "mix"}
    )


def test_rounds_are_named_by_what_each_is_best_at():
    """The second walks least and cuts least; the first has most wood, the third most character."""
    merits = [
        {"shortest walks": -740, "most character": 0.31, "least cutting": -330, "most wooded": 11},
        {"shortest walks": -664, "most character": 0.29, "least cutting": -99, "most wooded": 8},
        {"shortest walks": -772, "most character": 0.36, "least cutting": -177, "most wooded": 9},
    ]
    ideas = ["shortest walks", "most character", "least cutting", "most wooded"]
    assert best_at(merits, ideas) == [
        ("shortest walks", 1), ("most character", 2), ("most wooded", 0),
    ]  # fmt: skip
    # Without wood among them the first is the best at nothing.
    assert best_at(merits, ideas[:3]) == [
        ("shortest walks", 1), ("most character", 2), ("other holes", 0),
    ]  # fmt: skip
    assert best_at(merits, ["least cutting"]) == [("least cutting", k) for k in range(3)]
    # Rounds that are alike at everything are named by the ideas most wanted.
    alike = [dict.fromkeys(ideas, 1.0)] * 2
    assert [idea for idea, _ in best_at(alike, ideas)] == ideas[:2]
    # One that is best at everything leaves the others no name that is true.
    poor, best = dict.fromkeys(ideas, 0.0), dict.fromkeys(ideas, 1.0)
    assert best_at([poor, best, poor], ideas) == [
        (ideas[0], 1), ("other holes", 0), ("other holes", 2),
    ]  # fmt: skip
