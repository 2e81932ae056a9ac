"""The whole configuration, and loading it from YAML with every fault in one message."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import Field, ValidationError, field_validator, model_validator

from lanewright.base.errors import InputError
from lanewright.settings.base import Settings
from lanewright.settings.flight import FlightSettings
from lanewright.settings.ground import GroundSettings
from lanewright.settings.ingest import CrsSettings, IngestSettings, KeepOut
from lanewright.settings.lanes import LanesSettings
from lanewright.settings.layout import LayoutSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.scene import SceneSettings
from lanewright.settings.terrain import TerrainSettings
from lanewright.settings.trim import TrimSettings
from lanewright.settings.vegetation import VegetationSettings
from lanewright.settings.visit import FieldSettings


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
    designer: Path | None = Field(
        None, description="GeoPackage with the designer's wishes; see designer-start.gpkg of a run"
    )
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
    trim: TrimSettings = TrimSettings()
    layout: LayoutSettings = LayoutSettings()
    field: FieldSettings = FieldSettings()

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

    @field_validator("leaf_state", mode="before")
    @classmethod
    def _off_is_no_truth_value(cls, value: Any) -> Any:
        # YAML reads a bare `off` as false and `on` as true.
        return {False: "off", True: "on"}.get(value, value) if isinstance(value, bool) else value

    @model_validator(mode="after")
    def _something_to_read(self) -> Config:
        if not self.points and not self.elevation:
            raise ValueError("neither points nor elevation is given; name at least one tile")
        return self


def scene_settings(config: Config) -> SceneSettings:
    """Settings of stage `scene`, gathered from their sections."""
    return SceneSettings(
        blocked_density=config.legs.blocked_density,
        leaf_state=config.leaf_state,
        buildings=config.legs.buildings,
    )


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
            "designer": at(config.designer) if config.designer else None,
            "layout": config.layout.model_copy(
                update={"paths": at(config.layout.paths) if config.layout.paths else None}
            ),
            "flight": config.flight.model_copy(
                update={
                    "levels_file": at(config.flight.levels_file)
                    if config.flight.levels_file
                    else None
                }
            ),
            "out": at(config.out).resolve(),
            "trim": config.trim.model_copy(
                update={"keep": at(config.trim.keep) if config.trim.keep else None}
            ),
        }
    )
