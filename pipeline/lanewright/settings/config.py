"""The whole configuration, and loading it from YAML with every fault in one message."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from lanewright.base.errors import InputError
from lanewright.base.text import is_text
from lanewright.settings.base import Name, Pattern, Place, Settings, Title
from lanewright.settings.compare import CompareSettings, EarlierSettings
from lanewright.settings.costs import costs_of
from lanewright.settings.cuts import CutsSettings
from lanewright.settings.document import read_document
from lanewright.settings.faults import faults_in
from lanewright.settings.features import FeaturesSettings
from lanewright.settings.flight import FlightSettings
from lanewright.settings.ground import GroundSettings
from lanewright.settings.ingest import CrsSettings, IngestSettings, KeepOut
from lanewright.settings.lanes import LanesSettings
from lanewright.settings.layout import LayoutSettings
from lanewright.settings.legs import LegsSettings
from lanewright.settings.levels import all_levels
from lanewright.settings.rank import RankSettings
from lanewright.settings.scene import SceneSettings
from lanewright.settings.terrain import TerrainSettings
from lanewright.settings.trim import TrimSettings
from lanewright.settings.vegetation import VegetationSettings
from lanewright.settings.visit import FieldSettings

Coordinate = Annotated[float, Field(ge=-1e8, le=1e8, allow_inf_nan=False)]


class Config(Settings):
    """One run over one property."""

    name: Title = Field(description="any title")
    property: Place | None = Field(
        None, description="polygon under study; omitted, the extent of the tiles is taken"
    )
    part: Annotated[int, Field(ge=1, le=1000)] | None = Field(
        None,
        description="of a property in parts kilometres apart the one to work on, 1 the largest; by "
        "default each in turn, in a folder part-1, part-2 and so on of out",
    )
    points: tuple[Pattern, ...] = Field((), description="LAS, LAZ or COPC files; patterns allowed")
    elevation: tuple[Pattern, ...] = Field(
        (), description="terrain model GeoTIFFs; patterns allowed"
    )
    keep_out: tuple[KeepOut, ...] = Field((), description="land nobody may throw over or enter")
    water: tuple[Place, ...] = Field((), description="known water, joined to what lidar shows")
    own_holes: Place | None = Field(None, description="lines the designer drew, tee first")
    designer: Place | None = Field(
        None, description="GeoPackage with the designer's wishes; see designer-start.gpkg of a run"
    )
    arrival: tuple[Coordinate, Coordinate] | None = Field(
        None, description="x, y of the parking, in the CRS of the property file"
    )
    leaf_state: Literal["off", "on", "unknown"] = Field(
        "unknown", description="trees when the lidar was flown"
    )
    levels: Annotated[tuple[Name, ...], Field(min_length=1, max_length=20)] = Field(
        ("blue", "red"), description="who will play"
    )
    holes: Annotated[int, Field(ge=1, le=72)] = Field(18, description="holes wanted")
    units: Literal["metres", "feet"] = Field(
        "metres", description="which of the two comes first where a reader meets a length"
    )
    out: Place = Field(description="folder of the results")
    compare: CompareSettings | None = Field(
        None, description="an earlier survey of the same property, to show what changed since"
    )

    crs: CrsSettings = CrsSettings()
    ingest: IngestSettings = IngestSettings()
    ground: GroundSettings = GroundSettings()
    terrain: TerrainSettings = TerrainSettings()
    vegetation: VegetationSettings = VegetationSettings()
    lanes: LanesSettings = LanesSettings()
    features: FeaturesSettings = FeaturesSettings()
    flight: FlightSettings = FlightSettings()
    legs: LegsSettings = LegsSettings()
    trim: TrimSettings = TrimSettings()
    cuts: CutsSettings = CutsSettings()
    layout: LayoutSettings = LayoutSettings()
    field: FieldSettings = FieldSettings()
    rank: RankSettings = RankSettings()

    @field_validator("points", "elevation", "water", "keep_out", mode="before")
    @classmethod
    def _one_is_a_list(cls, value: object) -> object:
        return [value] if isinstance(value, str | dict) else value

    @field_validator("keep_out", mode="before")
    @classmethod
    def _bare_path(cls, value: object) -> object:
        if isinstance(value, list | tuple):
            return [{"path": v} if isinstance(v, str) else v for v in value]
        return value

    @field_validator("levels", mode="before")
    @classmethod
    def _lower(cls, value: object) -> object:
        value = [value] if isinstance(value, str) else value
        if not isinstance(value, list | tuple):
            return value
        return [v.lower() if isinstance(v, str) else v for v in value]

    @field_validator("leaf_state", mode="before")
    @classmethod
    def _off_is_no_truth_value(cls, value: object) -> object:
        # YAML reads a bare `off` as false and `on` as true.
        return {False: "off", True: "on"}.get(value, value) if isinstance(value, bool) else value

    @model_validator(mode="after")
    def _something_to_read(self) -> Config:
        if not self.points and not self.elevation:
            raise ValueError("neither points nor elevation is given; name at least one tile")
        if self.part is not None and self.property is None:
            raise ValueError("part is set but no property is given; name its outline, or drop part")
        return self


def scene_settings(config: Config) -> SceneSettings:
    """Settings of stage `scene`, gathered from their sections."""
    return SceneSettings(
        blocked_density=config.legs.blocked_density,
        leaf_state=config.leaf_state,
        buildings=config.legs.buildings,
    )


def earlier_settings(config: Config) -> EarlierSettings:
    """Settings of stage `earlier`: an earlier survey is worked out as today's is."""
    return EarlierSettings(
        ground=config.ground,
        vegetation=config.vegetation,
        lanes=config.lanes,
        buildings=config.legs.buildings,
    )


def load(path: Path) -> Config:
    """Read a run configuration; relative paths in it start at its own folder.

    Raises
    ------
    InputError
        If the file cannot be read, is not YAML, or holds wrong keys or values; every fault is
        listed with the path of its key. If its path is no text.
    """
    if not is_text(path.resolve()):
        raise InputError(path, "lies under a name that is no UTF-8", "Rename that file or folder.")
    raw = read_document(path)
    try:
        config = Config.model_validate(raw)
    except ValidationError as err:
        raise InputError(
            path, faults_in(err, Config), "Known keys are listed in configs/every-setting.yaml."
        ) from None
    config = _anchored(config, path.resolve().parent)
    _known_levels(config)
    return _kept_for_layouts(config)


def _kept_for_layouts(config: Config) -> Config:
    """Say to legs and holes which level layouts are made for, unless they name one."""
    main = config.layout.level and config.layout.level.lower()
    hole = config.layout.hole
    legs = config.legs.model_copy(update={"level": config.legs.level or main})
    hole = hole.model_copy(update={"level": hole.level or main})
    layout = config.layout.model_copy(update={"hole": hole})
    return config.model_copy(update={"legs": legs, "layout": layout})


def _known_levels(config: Config) -> None:
    """Refuse levels that the table of levels does not hold."""
    costs_of(config.field.costs_file)  # a bad table ends the run before it begins
    known = [level.name for level in all_levels(config.flight.levels_file)]
    asked = [("levels", name) for name in config.levels]
    asked += [
        (key, name)
        for key, name in (
            ("layout.level", config.layout.level),
            ("legs.level", config.legs.level),
            ("layout.hole.level", config.layout.hole.level),
        )
        if name is not None
    ]
    faults = [
        f"{key}: no level is called {n!r}" for key, n in asked if n.strip().lower() not in known
    ]
    if faults:
        raise InputError(
            faults[0].partition(":")[0],
            "; ".join(faults).partition(": ")[2],
            f"Choose from {', '.join(known)}.",
        )


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
            "field": config.field.model_copy(
                update={
                    "costs_file": at(config.field.costs_file) if config.field.costs_file else None
                }
            ),
            "out": at(config.out).resolve(),
            "compare": config.compare.model_copy(
                update={"points": tuple(str(at(p)) for p in config.compare.points)}
            )
            if config.compare
            else None,
            "trim": config.trim.model_copy(
                update={"keep": at(config.trim.keep) if config.trim.keep else None}
            ),
        }
    )
