"""Settings of stage `scene`, gathered from the sections that a user edits."""

from __future__ import annotations

from typing import Literal

from lanewright.settings.base import Positive, Settings
from lanewright.settings.buildings import BuildingSettings


class SceneSettings(Settings):
    """What turns the surveyed land into the land that throws meet."""

    blocked_density: Positive
    """Contact density from which a layer counts as blocked [1/m]; `legs: blocked_density:`."""

    leaf_state: Literal["off", "on", "unknown"]
    """When the lidar was flown."""

    buildings: BuildingSettings
    """What is taken for a building; `legs: buildings:`."""
