"""Settings of stage `flight`."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, field_validator

from lanewright.settings.base import Place, Settings


class FlightSettings(Settings):
    """Throws, and the air they fly through."""

    hand: Literal["right", "left"] = Field(
        "right", description="which hand throws; tells only with one grip"
    )
    grips: Literal["both", "backhand", "forehand"] = Field(
        "both",
        description="with both, every curve can finish left as well as right; with one, the other "
        "side is left to discs that turn over",
    )
    discs: tuple[Literal["dd", "fd", "co", "cu"], ...] = Field(
        ("dd", "fd", "co", "cu"),
        description="discs in the bag: distance driver, stable fairway driver, overstable and "
        "understable control driver (Giljarhus et al. 2022); no others are published whole",
    )
    levels_file: Place | None = Field(
        None,
        description="CSV of who plays in place of ours: start from configs/levels.csv and put in "
        "measured throws or a governing body's own tables",
    )
    release_height: Annotated[float, Field(ge=0.3, le=2.5)] = Field(
        1.4,
        description="metres over the tee's ground where the disc leaves the hand; 1.3 to 1.5 in "
        "the examples of Giljarhus et al. 2022",
    )
    end_height: Annotated[float, Field(ge=0, le=2.5)] = Field(
        0.9,
        description="metres over the ground at the end of a throw; just over the rim of a target "
        "(PDGA Technical Standards: 82 cm)",
    )
    temperature_c: Annotated[float, Field(ge=-30, le=50)] = Field(
        15.0,
        description="of the air, degrees Celsius; 15 is the standard atmosphere's. Its density "
        "follows from this and from the height of the land over the sea",
    )
    tail_wind_mps: Annotated[float, Field(ge=-15, le=15)] = Field(
        0.0,
        description="wind along every throw, in metres a second, against it below 0; a day to try "
        "the course on, for throws go every way. 15 is near gale (Beaufort 7)",
    )
    wind_height: Annotated[float, Field(ge=1, le=50)] = Field(
        10.0,
        description="metres over open ground for which the wind is stated, as in forecasts (World "
        "Meteorological Organization); lower down it is weaker by the logarithm of height",
    )
    apex_margin: Annotated[float, Field(ge=1, le=2)] = Field(
        1.25,
        description="factor by which throws may rise higher than computed before a roof counts as "
        "clear; 1.25 to 1.5, ours: the model falls short of logged throws",
    )

    @field_validator("discs")
    @classmethod
    def _some_disc(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if not value:
            raise ValueError("name at least one of dd, fd, co, cu")
        return tuple(dict.fromkeys(value))
