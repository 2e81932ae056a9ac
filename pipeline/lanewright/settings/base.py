"""What every section of the settings is made of."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

Metres = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Length = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
LengthUnit = Literal["m", "ft", "us-ft"]
Span = tuple[Positive, Positive]
"""Low and high end of a work rate."""


class Settings(BaseModel):
    """Base of every section: unknown keys are refused, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)
