"""What each proposal is after: the same rules and terms, some of them counting more."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import permutations

from lanewright.settings.layout import LayoutSettings

TIMES: Mapping[str, Mapping[str, float]] = {
    "shortest walks": {"quality": 0.5},
    "most character": {"quality": 2.0},
    "least cutting": {"trim": 6.0},
    "most wooded": {"lane_kind": 3.0},
}
"""How many times as much each weight counts for an idea; ours."""

OTHER = "other holes"
"""What a round is named for that is the best at nothing: it plays what the others leave out."""


def best_at(merits: Sequence[Mapping[str, float]], ideas: Sequence[str]) -> list[tuple[str, int]]:
    """An idea for each round that is the best of all at it, for as many as can be.

    Parameters
    ----------
    merits
        For each round what it is worth by each idea, the more the better.
    ideas
        To choose from, the most wanted first; each is taken once, but where there are too few.
        A round that is the best at none is `OTHER`.

    Returns
    -------
    list of (str, int)
        Ideas and rounds, the most wanted idea first.

    Examples
    --------
    >>> merits = [{"a": 1, "b": 1, "c": 2}, {"a": 2, "b": 3, "c": 1}]
    >>> best_at(merits, ["a", "b", "c"])
    [('a', 1), ('c', 0)]
    """
    distinct = list(dict.fromkeys(ideas))
    if len(distinct) < len(merits):
        return [(ideas[number % len(ideas)], number) for number in range(len(merits))]
    most = {idea: max(each[idea] for each in merits) for idea in distinct}

    def best(number: int, idea: str) -> bool:
        return merits[number][idea] >= most[idea]

    def truth(chosen: tuple[str, ...]) -> tuple[int, list[int]]:
        true = sorted(distinct.index(idea) for n, idea in enumerate(chosen) if best(n, idea))
        return len(true), [-i for i in true]

    chosen = max(permutations(distinct, len(merits)), key=truth)
    named = [(idea if best(n, idea) else OTHER, n) for n, idea in enumerate(chosen)]
    order = [*distinct, OTHER]
    return sorted(named, key=lambda pair: order.index(pair[0]))


def idea_of(number: int, settings: LayoutSettings) -> str:
    """What a proposal is after, counted from 0; the ideas take turns."""
    return settings.ideas[number % len(settings.ideas)]


def settings_for(idea: str, settings: LayoutSettings) -> LayoutSettings:
    """The section `layout` for one idea.

    Examples
    --------
    >>> settings_for("shortest walks", LayoutSettings()).weights.quality
    100.0
    """
    weights = settings.weights
    more = {name: times * getattr(weights, name) for name, times in TIMES.get(idea, {}).items()}
    if idea == "gentlest for beginners":
        more = {"quality": 0.0, "ease": weights.quality}
    mix = {"wooded": 1.0, "open": 0.0} if idea == "most wooded" else {}
    return settings.model_copy(
        update={
            "weights": weights.model_copy(update=more),
            "mix": settings.mix.model_copy(update=mix),
        }
    )
