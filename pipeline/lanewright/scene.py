"""The land with everything around it that a throw or a person must mind.

Stage `scene` gathers it once from the stages before; sites, legs, holes, trim work and layouts all
read the same one.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from scipy import ndimage as ndi

from lanewright.base.arrays import Flags, Raster
from lanewright.base.grid import Grid
from lanewright.base.rows import Row
from lanewright.growth.buildings import find_buildings
from lanewright.growth.columns import blocked
from lanewright.growth.lanes import Lanes
from lanewright.growth.stems import Signs
from lanewright.growth.vegetation import Vegetation
from lanewright.growth.wires import find_wires, no_wires
from lanewright.kernels import march
from lanewright.land.ground import Ground
from lanewright.land.survey import Survey
from lanewright.land.terrain import Terrain
from lanewright.settings.buildings import BuildingSettings
from lanewright.settings.scene import SceneSettings
from lanewright.store import stage

STAND = np.uint64(0b1111111100)  # layers of 0.25 m from 0.5 to 2.5 m: a player and a swing
FLIGHT = np.uint64(0xFFFFC)  # from 0.5 to 5 m
TREE = 4.0  # m of canopy that counts as trees
WALL = 9.0  # m; side of the square over which trees are counted
AROUND = 120.0  # m; side of the square that a tee is held against; a throw each way; ours


@dataclass(frozen=True, eq=False)
class Scene:
    """All that sites, throws and people meet; arrays (rows, cols) on one grid.

    Attributes
    ----------
    grid
        Georeference.
    ground
        Height of the ground, or of the water on it [m]; NaN unknown.
    slope_pct, wetness, height_above_drainage
        Shape of the ground; NaN unknown.
    water, wet, maybe_wet
        Open water; ground that is likely wet; ground that is possibly wet.
    wet_known
        Whether wet ground is known; where it is not, none is `wet` or `maybe_wet`.
    blocked, searched
        Column masks, bit k for k to k + 1 layers of 0.25 m above the ground: too dense to throw
        through; searched by lidar.
    density, table
        Codes of the contact density (rows, cols, 64), and the density [1/m] of each code (256,).
    canopy_height
        Top of the vegetation over the ground [m]; NaN unknown.
    free_width
        Width free at throwing height [m]; NaN where too little was searched.
    lane_kind
        0 none, 1 open, 2 edge, 3 lane, 4 tunnel.
    land, keep_out
        The property, and where nobody may throw or walk, with its buffers.
    trees
        Probable trees: `dbh_cm`, `crown_base_m` and a point each.
    wires
        Possible overhead wires, as `wires.find_wires` gives them.
    drainage
        Lines along which water gathers, as in `Terrain.drainage`.
    buildings, paths
        Where buildings stand; much-used paths and trails.
    surveyed
        Whether lidar saw what grows here; without it the land is bare and unsearched.
    leaf_state
        When the lidar was flown: off, on or unknown.
    stem_signs
        What pulses say of stems; None where nobody asked them.
    """

    grid: Grid
    ground: Raster
    slope_pct: Raster
    wetness: Raster
    height_above_drainage: Raster
    water: Flags
    wet: Flags
    maybe_wet: Flags
    blocked: NDArray[np.uint64]
    searched: NDArray[np.uint64]
    density: NDArray[np.uint8]
    table: Raster
    canopy_height: Raster
    free_width: Raster
    lane_kind: NDArray[np.uint8]
    land: shapely.Geometry
    keep_out: shapely.Geometry
    trees: gpd.GeoDataFrame
    wires: gpd.GeoDataFrame = field(default_factory=no_wires)
    drainage: gpd.GeoDataFrame = field(default_factory=lambda: gpd.GeoDataFrame(geometry=[]))
    buildings: shapely.Geometry = field(default_factory=shapely.Polygon)
    paths: shapely.Geometry = field(default_factory=shapely.LineString)
    surveyed: bool = True
    leaf_state: str = "unknown"
    stem_signs: Signs | None = None
    wet_known: bool = True

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            on_grid = isinstance(value, np.ndarray) and name not in ("table", "density")
            if on_grid and value.shape != self.grid.shape:
                raise ValueError(f"{name} has shape {value.shape}, the grid {self.grid.shape}")

    @cached_property
    def off_limits(self) -> shapely.Geometry:
        """Where nobody may throw: keep-outs with their buffers, and buildings."""
        return shapely.union_all([self.keep_out, self.buildings])

    @cached_property
    def stands(self) -> Flags:
        """Cells with trees, or with brush at throwing height."""
        flight = (self.blocked & FLIGHT) != 0
        return np.asarray(flight | (np.nan_to_num(self.canopy_height) > TREE))

    @cached_property
    def trees_around(self) -> Raster:
        """Share of the ground around each cell with trees or brush at throwing height, 0-1."""
        side = max(1, round(WALL / self.grid.cell))
        stands = self.stands.astype(np.float32)
        return np.asarray(ndi.uniform_filter(stands, side, mode="nearest"))

    @cached_property
    def ground_around(self) -> Raster:
        """Mean height of the known ground in a square of side `AROUND` [m]; NaN where none is."""
        side = max(1, round(AROUND / self.grid.cell))
        known = np.isfinite(self.ground)
        if not known.any():
            return np.full(self.grid.shape, np.nan, np.float32)
        base = float(np.asarray(self.ground)[known].min())
        # In float64 and over the lowest ground: a running sum drifts on heights of 1000s of metres.
        lifted = np.where(known, self.ground - base, 0.0).astype(np.float64)
        total, count = (
            ndi.uniform_filter(a, side, mode="nearest") for a in (lifted, known.astype(np.float64))
        )
        mean = np.divide(total, count, out=np.full(total.shape, np.nan), where=count > 1e-6)
        return np.asarray(mean + base, np.float32)


@stage("scene", version=5)
def build_scene(
    survey: Survey,
    ground: Ground,
    terrain: Terrain,
    growth: tuple[Vegetation, Lanes] | None,
    settings: SceneSettings,
    *,
    paths: str = "",
) -> Scene:
    """Gather what throws and people meet from the stages before.

    Parameters
    ----------
    survey, ground, terrain, growth
        Results of the stages before; without lidar there is no `growth`.
    settings
        What counts as blocked, and when the lidar was flown.
    paths
        WKT of much-used paths and trails; empty for none.
    """
    level = terrain.water_level
    return Scene(
        grid=survey.grid,
        ground=np.where(np.isfinite(level), level, ground.surface).astype(np.float32),
        slope_pct=terrain.slope_pct,
        wetness=terrain.wetness,
        height_above_drainage=terrain.height_above_drainage,
        water=terrain.water,
        wet=terrain.wet,
        maybe_wet=terrain.maybe_wet,
        wet_known=terrain.wet_known,
        land=survey.land,
        keep_out=survey.keep_out,
        wires=find_wires(survey, ground.surface),
        drainage=terrain.drainage,
        buildings=_buildings(survey, ground, settings.buildings),
        paths=shapely.from_wkt(paths) if paths else shapely.LineString(),
        leaf_state=settings.leaf_state,
        **_growth(survey.grid, growth, settings.blocked_density),
    )


def _buildings(survey: Survey, ground: Ground, settings: BuildingSettings) -> shapely.Geometry:
    """Ground that buildings stand on; empty without lidar."""
    if survey.points is None:
        return shapely.Polygon()
    found = find_buildings(
        survey.points, survey.grid, ground.surface, settings, heights_given=survey.heights_given
    )
    return found.union_all()


def _growth(grid: Grid, growth: tuple[Vegetation, Lanes] | None, blocked_density: float) -> Row:
    """Fields of a scene that lidar fills."""
    if growth is None:
        nothing = np.zeros(grid.shape, np.uint64)
        unknown = np.full(grid.shape, np.nan, np.float32)
        return {
            "blocked": nothing,
            "searched": nothing,
            "density": np.zeros((*grid.shape, march.LAYERS), np.uint8),
            "table": np.zeros(256, np.float32),
            "canopy_height": unknown,
            "free_width": unknown,
            "lane_kind": np.zeros(grid.shape, np.uint8),
            "trees": gpd.GeoDataFrame({"dbh_cm": [], "crown_base_m": []}, geometry=[]),
            "surveyed": False,
        }
    vegetation, lanes = growth
    columns = vegetation.columns
    return {
        "blocked": blocked(columns, blocked_density),
        "searched": columns.searched,
        "density": columns.density,
        "table": columns.table,
        "canopy_height": vegetation.canopy_height,
        "free_width": lanes.free_width,
        "lane_kind": lanes.kind,
        "trees": vegetation.trees,
        "stem_signs": vegetation.stem_signs,
    }
