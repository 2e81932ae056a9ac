"""What each proposal is after: the same rules and terms, some of them counting more."""

from __future__ import annotations

from collections.abc import Mapping

from lanewright.settings.layout import LayoutSettings

TIMES: Mapping[str, Mapping[str, float]] = {
    "shortest walks": {"quality": 0.5},
    "most character": {"quality": 2.0},
    "least cutting": {"trim": 6.0},
    "most wooded": {"lane_kind": 3.0},
}
"""How many times as much each weight counts for an idea; ours."""


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
