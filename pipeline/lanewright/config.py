"""Run settings: the models, and loading them from YAML with every fault told at once."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from lanewright.errors import InputError

Metres = Annotated[float, Field(gt=0, allow_inf_nan=False)]
Length = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Share = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False)]
LengthUnit = Literal["m", "ft", "us-ft"]


class Settings(BaseModel):
    """Base of every section: unknown keys are refused, values never change after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True, validate_default=True)


class KeepOut(Settings):
    """Land nobody may throw over or walk into."""

    path: Path = Field(description="polygons or lines in any format a property may have")
    buffer: Length = Field(0.0, description="metres kept free around each of them")


class CrsSettings(Settings):
    """What to believe about coordinates and units where the files do not say, or lie."""

    points: str | None = Field(
        None, description="CRS of the point tiles, as EPSG:n or WKT, where the files have none"
    )
    horizontal_unit: LengthUnit | None = Field(
        None, description="unit of x and y in the point tiles, against what the files say"
    )
    vertical_unit: LengthUnit | None = Field(
        None, description="unit of heights in the point tiles, where the files do not say"
    )
    elevation: str | None = Field(None, description="CRS of the elevation tiles without one")
    elevation_unit: LengthUnit | None = Field(
        None, description="unit of heights in the elevation tiles, where they do not say"
    )
    vectors: str | None = Field(None, description="CRS of vector files that carry none")
    working: str | None = Field(
        None, description="projected metric CRS to work in; by default the tiles' own or local UTM"
    )


class IngestSettings(Settings):
    """Reading tiles into the run's grid."""

    cell: Metres | Literal["auto"] = Field(
        "auto",
        description="side of a grid cell in metres; auto takes 0.5 where first returns reach "
        "4 per square metre and 1.0 below",
    )
    context: Length = Field(40.0, description="metres read beyond the property")
    overlap_points: bool = Field(
        False, description="keep points flagged as overlap between flight lines"
    )
    stall_seconds: Annotated[float, Field(ge=5)] = Field(
        60.0, description="give a tile up when reading it makes no headway for so long"
    )


class GroundSettings(Settings):
    """Finding the ground."""

    source: Literal["auto", "class 2", "filter", "elevation"] = Field(
        "auto",
        description="auto trusts the vendor's ground class where it passes the check, else filters "
        "the points, else takes the elevation tiles",
    )
    void_distance: Metres = Field(
        6.0, description="ground farther than this from any ground point is marked as filled"
    )


class TerrainSettings(Settings):
    """Slope, water and wet ground."""


class VegetationSettings(Settings):
    """Canopy, trees and columns."""


class LanesSettings(Settings):
    """Free width, lanes and openings."""


class LegsSettings(Settings):
    """Sites, search and scores."""


class FlightSettings(Settings):
    """Throws."""


class Config(Settings):
    """One run over one property."""

    name: Annotated[str, Field(min_length=1)] = Field(description="any title")
    property: Path | None = Field(
        None, description="polygon under study; omitted, the extent of the tiles is taken"
    )
    points: tuple[str, ...] = Field((), description="LAS, LAZ or COPC files; patterns allowed")
    elevation: tuple[str, ...] = Field((), description="terrain model GeoTIFFs; patterns allowed")
    keep_out: tuple[KeepOut, ...] = Field((), description="land nobody may throw over or enter")
    water: tuple[Path, ...] = Field((), description="known water, joined to what lidar shows")
    own_holes: Path | None = Field(None, description="lines the designer drew, tee first")
    arrival: tuple[float, float] | None = Field(
        None, description="x, y of the parking, in the CRS of the property file"
    )
    leaf_state: Literal["off", "on", "unknown"] = Field(
        "unknown", description="trees when the lidar was flown"
    )
    levels: Annotated[tuple[str, ...], Field(min_length=1)] = Field(
        ("blue", "red"), description="who will play"
    )
    holes: Annotated[int, Field(ge=1, le=72)] = Field(18, description="holes wanted")
    units: Literal["metres", "feet"] = Field(
        "metres", description="which of the two comes first where a reader meets a length"
    )
    out: Path = Field(description="folder of the results")

    crs: CrsSettings = CrsSettings()
    ingest: IngestSettings = IngestSettings()
    ground: GroundSettings = GroundSettings()
    terrain: TerrainSettings = TerrainSettings()
    vegetation: VegetationSettings = VegetationSettings()
    lanes: LanesSettings = LanesSettings()
    flight: FlightSettings = FlightSettings()
    legs: LegsSettings = LegsSettings()

    @field_validator("points", "elevation", "water", "keep_out", mode="before")
    @classmethod
    def _one_is_a_list(cls, value: Any) -> Any:
        return [value] if isinstance(value, str | dict) else value

    @field_validator("keep_out", mode="before")
    @classmethod
    def _bare_path(cls, value: Any) -> Any:
        if isinstance(value, list | tuple):
            return [{"path": v} if isinstance(v, str) else v for v in value]
        return value

    @field_validator("levels", mode="before")
    @classmethod
    def _lower(cls, value: Any) -> Any:
        value = [value] if isinstance(value, str) else value
        return [v.lower() if isinstance(v, str) else v for v in value] if value else value

    @model_validator(mode="after")
    def _something_to_read(self) -> Config:
        if not self.points and not self.elevation:
            raise ValueError("neither points nor elevation is given; name at least one tile")
        return self


def load(path: Path) -> Config:
    """Read a run configuration; relative paths in it start at its own folder.

    Raises
    ------
    InputError
        If the file cannot be read, is not YAML, or holds wrong keys or values; every fault is
        listed with the path of its key.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise InputError(
            path, f"the configuration cannot be read ({err})", "Check the path."
        ) from None
    try:
        raw = yaml.safe_load(text)
    except yaml.YAMLError as err:
        raise InputError(path, f"not valid YAML: {err}", "Mend the line it names.") from None
    if not isinstance(raw, dict):
        raise InputError(path, "the configuration holds no keys", "Start from a file in configs/.")
    try:
        config = Config.model_validate(raw)
    except ValidationError as err:
        raise InputError(
            path, _faults(err), "Known keys are listed in configs/every-setting.yaml."
        ) from None
    return _anchored(config, path.resolve().parent)


def _faults(err: ValidationError) -> str:
    lines = []
    for fault in err.errors():
        key = ".".join(str(part) for part in fault["loc"]) or "(top level)"
        message = fault["msg"].removeprefix("Value error, ")
        if fault["type"] == "extra_forbidden":
            message = "unknown key; check the spelling or remove it"
        elif fault["type"] == "missing":
            message = "missing; it has no default"
        else:
            message = f"{message} (got {fault['input']!r})" if fault["loc"] else message
        lines.append(f"\n  {key}: {message}")
    return f"{len(lines)} setting{'s' if len(lines) > 1 else ''} to mend:" + "".join(lines) + "\n"


def _anchored(config: Config, folder: Path) -> Config:
    """Make every path absolute, starting at the configuration's folder."""

    def at(path: Path | str) -> Path:
        return folder / Path(path).expanduser()

    return config.model_copy(
        update={
            "property": at(config.property) if config.property else None,
            "points": tuple(str(at(p)) for p in config.points),
            "elevation": tuple(str(at(p)) for p in config.elevation),
            "keep_out": tuple(k.model_copy(update={"path": at(k.path)}) for k in config.keep_out),
            "water": tuple(at(p) for p in config.water),
            "own_holes": at(config.own_holes) if config.own_holes else None,
            "out": at(config.out),
        }
    )
