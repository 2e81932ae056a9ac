"""What a disc meets: the one place where lidar's contact density becomes a chance of touching.

Assumptions
-----------
- Contact density is the rate per metre at which a ray, a line without width, is stopped. A disc of
  width D among twigs of diameter b, lying in all directions, meets (D + b) / b times as many: the
  mean number of random lines that meet a convex body goes with its surface, and so with its width.
  Flat leaves and thick limbs are met less often than that; what is called clear stays clear.
- Contacts along a path are independent: a throw touches nothing with probability exp(-sum).
- A known tree has a trunk from the ground to its crown base, which lidar seldom sees. Where it
  stands is a normal spread about the point that was found; a path sweeps a strip as wide as trunk
  and disc together. At best there is no trunk: of trees found from above, half are none (44 % were
  stems in a study of 106 plots, 78 % where every stem was mapped; Grigoryev, draft 2026).
- Not searched: as surveyed it holds what the columns expect there; at best nothing; at worst at
  least the mean density of what was searched at that height.
- At worst there are also stems too thin for lidar under the canopy, scattered at random: a path of
  length L misses them with probability exp(-n L (d + D)).
- In leaf, contacts with vegetation are multiplied by a factor, smaller in the shaded brush. Trunks
  are not. A survey flown in leaf is divided by the same factors for the season without.
- Throws of a level differ in aim, launch angle, release speed and hyzer, all normal about the throw
  aimed for. How a path changes with each is taken as even, for up to three standard deviations.
- What the flight model is unsure of, its law of turning, spin and coefficients, each throw draws
  from as well, so that the rate is the mean over what may be true.
- The flight model is unsure of heights: each throw's rise over the chord is taken times a factor
  drawn evenly between 1 and the table's margin.

Every number of it is in `ThrowSettings`, `LEAF_FACTOR`, `BRUSH_LEAF_FACTOR` and `UNDER_CANOPY`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage as ndi
from scipy.spatial import cKDTree

from lanewright.base.arrays import Flags, Raster
from lanewright.growth.stems import BRUSHY, CLEAR, ROOM, ROOMY, Tops, no_signs, stem_field
from lanewright.kernels import march
from lanewright.kernels import throws as kernel
from lanewright.scene import Scene
from lanewright.settings.legs import ThrowSettings

LEAF_FACTOR = {"broadleaf": 3.0, "mixed": 2.0, "conifer": 1.0}
"""Contacts in leaf over those without leaves; ours (broadleaf 2 to 5), from plant area index 4 to 6
in leaf and 0.5 to 1.5 of wood alone (from memory), less in the shaded understorey."""

BRUSH_LEAF_FACTOR = 2.0
"""The most of it in brush, which grows few leaves in the shade; ours, common practice."""

BRUSH = 2.5  # m over the ground, top of that brush
STAND = np.uint64(0b1111111100)  # layers from 0.5 to 2.5 m, where brush hides stems
BESIDE = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], np.float32)
SHORE = 0.5  # m of a pond's shore where nothing stands unseen
EVERYTHING = np.uint64(0xFFFFFFFFFFFFFFFF)
SURELY = 0.98  # the most that a stem may be sure to stand in one cell
UNDER_CANOPY = 3.0  # m of canopy from which thin stems may stand below


@dataclass(frozen=True)
class Contacts:
    """Rates at which a disc touches something, ready for the kernels; arrays (rows, cols).

    Attributes
    ----------
    ground
        Height [m].
    density, table
        Codes (rows, cols, 64), and contacts of a disc [1/m] of each code (256,).
    searched
        Column masks.
    prior
        Contacts of a disc [1/m] to fear where nothing was searched, by layer (64,).
    leaf
        Factor on contacts with vegetation by layer in the season that was not surveyed (64,).
    surveyed_in_leaf
        Which season that is not.
    trunk, trunk_top
        Contacts with trunks [1/m], and the layer below which they stand.
    stems
        Contacts with stems too thin to see [1/m].
    lowest
        Layers above the ground below which a disc is landing.
    """

    ground: NDArray[np.float32]
    density: NDArray[np.uint8]
    table: NDArray[np.float32]
    searched: NDArray[np.uint64]
    prior: NDArray[np.float32]
    leaf: NDArray[np.float32]
    surveyed_in_leaf: bool
    trunk: NDArray[np.float32]
    trunk_top: NDArray[np.uint8]
    stems: NDArray[np.float32]
    lowest: float

    @cached_property
    def cells(self) -> NDArray[np.void]:
        """What stands in each cell as the kernel reads it, records of `kernels.throws.CELL`."""
        out = np.zeros(self.ground.shape, kernel.CELL)
        kernel.pack(
            np.asarray(self.density),
            self.table,
            np.asarray(self.searched),
            self.trunk,
            self.trunk_top,
            self.stems,
            out,
        )
        return out.ravel()


def disc_ratio(settings: ThrowSettings) -> float:
    """Contacts of a disc for each contact of a ray.

    Examples
    --------
    >>> disc_ratio(ThrowSettings(disc=0.21, twig=0.02))
    11.5
    """
    return round((settings.disc + settings.twig) / settings.twig, 9)


def contacts_of(scene: Scene, settings: ThrowSettings, leaf_state: str) -> Contacts:
    """Turn what stands on the land into rates of contact.

    Parameters
    ----------
    scene
        The land.
    settings
        The section `legs: throw:` of the configuration.
    leaf_state
        When the lidar was flown: off, on or unknown. Unknown is treated as off, the careful side.
    """
    table = (scene.table * disc_ratio(settings)).astype(np.float32)
    trunk, trunk_top = _trunks(scene, settings)
    stems = np.where(
        np.nan_to_num(scene.canopy_height) >= UNDER_CANOPY,
        settings.thin_stems_per_ha / 1e4 * (settings.thin_stem + settings.disc),
        0.0,
    ).astype(np.float32)
    return Contacts(
        np.ascontiguousarray(scene.ground, np.float32),
        scene.density,
        table,
        _known(scene),
        _prior(scene, table),
        _other_season(settings, leaf_state == "on"),
        leaf_state == "on",
        trunk,
        trunk_top,
        stems,
        settings.landing / march.LAYER,
    )


def _known(scene: Scene) -> NDArray[np.uint64]:
    """Column masks of what was searched; nothing stands over water and its very shore."""
    if not scene.water.any():
        return scene.searched
    away = ndi.distance_transform_edt(~scene.water) * scene.grid.cell
    return np.where(away <= max(SHORE, scene.grid.cell), EVERYTHING, scene.searched)


def _other_season(settings: ThrowSettings, in_leaf: bool) -> NDArray[np.float32]:
    """Contacts in the other season over those in the one surveyed, by layer (64,)."""
    factor = np.full(march.LAYERS, LEAF_FACTOR[settings.wood])
    brush = int(BRUSH / march.LAYER)
    factor[:brush] = np.minimum(factor[:brush], BRUSH_LEAF_FACTOR)
    return np.asarray(1 / factor if in_leaf else factor, np.float32)


def _prior(scene: Scene, table: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean contacts by layer over what was searched, what is solid left out (64,)."""
    out = np.zeros(march.LAYERS, np.float32)
    for layer in range(march.LAYERS):
        # Every third cell of every third row tells the mean of a property well enough.
        codes = np.asarray(scene.density[::3, ::3, layer])
        bit = np.uint64(1) << np.uint64(layer)
        counts = np.bincount(codes[(scene.searched[::3, ::3] & bit) != 0], minlength=256)[:255]
        if counts.any():
            out[layer] = np.average(table[:255], weights=counts)
    return out


@lru_cache(maxsize=1)  # six stages ask for the same
def _trunks(scene: Scene, settings: ThrowSettings) -> tuple[Raster, NDArray[np.uint8]]:
    """Contacts with trunks [1/m], and the layer below which they stand."""
    grid = scene.grid
    signs = scene.stem_signs or no_signs(grid.shape)
    brushy = np.bitwise_count(scene.blocked & STAND) > int(STAND).bit_count() // 4
    kind = np.where(np.nan_to_num(scene.free_width) >= ROOMY, np.uint8(ROOM), np.uint8(CLEAR))
    kind[brushy] = BRUSHY
    tops = Tops(settings.top_is_stem, settings.trunk_sd)
    stems, width = stem_field(scene.trees, signs, scene.canopy_height, kind, grid, tops)
    # A disc of width D sweeps d + D across a stem of diameter d. Crossing a cell it meets the one
    # that may stand there with that share of the cell's width as its chance, and where that is more
    # than the cell the neighbours on either side have the rest; as contacts, so that a stem which
    # surely stands there stops nearly every throw.
    wide = (width + settings.disc) / grid.cell
    beside = ndi.convolve(stems * np.maximum(wide - 1, 0) / 2, BESIDE, mode="constant")
    chance = np.minimum(stems * np.minimum(wide, 1) + beside, SURELY)
    rate = -np.log1p(-chance.astype(float)) / grid.cell
    return rate.astype(np.float32), _trunk_tops(scene, chance > 0)


def _trunk_tops(scene: Scene, stands: Flags) -> NDArray[np.uint8]:
    """Layer up to which a stem of the nearest tree has no crown of its own (rows, cols)."""
    top = np.zeros(scene.grid.shape, np.uint8)
    if len(scene.trees) == 0:
        return top
    base = np.ceil(scene.trees["crown_base_m"].to_numpy(float) / march.LAYER)
    base = np.clip(base, 0, march.LAYERS).astype(np.uint8)
    row, col = np.nonzero(stands)
    _, nearest = cKDTree(scene.trees.geometry.get_coordinates().to_numpy()).query(
        np.column_stack(scene.grid.xy(row, col))
    )
    top[row, col] = base[nearest]
    return top
