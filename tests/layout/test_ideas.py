"""What each proposal is after: which weights count for more, and that nothing else changes."""

import pytest

from lanewright.layout.ideas import idea_of, settings_for
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
