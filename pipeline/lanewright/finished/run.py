"""A finished run as Python sees it: what was published, and throws of its legs."""

from __future__ import annotations

from functools import cached_property
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from pydantic import ValidationError

from lanewright.base.arrays import Floats
from lanewright.base.errors import InputError
from lanewright.base.grid import Grid
from lanewright.base.rows import Row
from lanewright.finished.places import Release, densities_at, release_of, throws_of
from lanewright.finished.stored import Stored, later, stored_results
from lanewright.legs.thrower import Thrower, thrower_of
from lanewright.legs.throwing import Lines
from lanewright.publish.readback import grid_of, read_layer, read_raster, read_summary
from lanewright.settings.config import Config
from lanewright.settings.levels import Level


def open_run(folder: str | Path) -> Run:
    """Open the out folder of a finished run; nothing in it is changed.

    Parameters
    ----------
    folder
        The `out` folder of the run's configuration, or `own-holes` in it.

    Raises
    ------
    InputError
        If no finished run lies there, or one of a version that wrote other files.

    Examples
    --------
    >>> open_run("no/such/folder")
    Traceback (most recent call last):
    lanewright.base.errors.InputError: no/such/folder: holds no finished run. Run ...
    """
    return Run(Path(folder))


class Run:
    """A finished run. Everything is read when it is first asked for.

    Lengths are metres, coordinates those of the run's own CRS (`grid.crs`), heights above its
    vertical datum. What is not known is NaN or None.

    Parameters
    ----------
    out
        Its out folder.
    """

    def __init__(self, out: Path) -> None:
        self.out = out
        self.summary: Row = read_summary(out)
        """`summary.json`: versions, settings, inputs, counts, findings, warnings, costs."""

    def __repr__(self) -> str:
        return f"<run {self.summary['title']!r} in {self.out}>"

    @cached_property
    def settings(self) -> Config:
        """All settings of the run.

        Raises
        ------
        InputError
            If another version wrote them.
        """
        try:
            return Config.model_validate(self.summary["settings"])
        except ValidationError:
            raise InputError(
                self.out / "summary.json", "has settings of another version", "Run it again."
            ) from None

    @cached_property
    def grid(self) -> Grid:
        """The georeference of every raster: CRS, outer corner, side of a cell [m], rows, cols."""
        return grid_of(self.summary)

    @property
    def levels(self) -> tuple[Level, ...]:
        """Who throws, best players first.

        Raises
        ------
        InputError
            If the stored results are gone or damaged.
        """
        return tuple(flights.level for flights in self.stored.flights.levels)

    def table(self, name: str) -> gpd.GeoDataFrame:
        """A layer of `scout.gpkg`, one row per thing; `tables/columns.csv` describes the columns.

        Raises
        ------
        KeyError
            If there is no such layer; the message names those there are.
        InputError
            If the GeoPackage is gone.
        """
        return read_layer(self.out, name)

    def raster(self, name: str) -> NDArray[np.float32]:
        """A raster on `grid` (rows, cols), row 0 north, NaN unknown; units in `rasters.csv`.

        Raises
        ------
        KeyError
            If there is no such raster; the message names those there are.
        InputError
            If the rasters are gone.
        """
        return read_raster(self.out, name)

    def throws(self, leg_id: int, count: int = 256, seed: int = 1) -> Floats:
        """Throws of a leg, with the spread of its level, as flown if nothing is touched.

        Parameters
        ----------
        leg_id
            As in the table `legs`.
        count
            How many, 1 to 65,536. The errors fill their range most evenly at powers of two.
        seed
            Another number makes other throws. With 1 and the `legs.throws` of the settings they are
            those that the clear rate of the leg was made from.

        Returns
        -------
        ndarray
            (count, samples, 4): x, y and height [m], and seconds since the release. The first
            sample is the release, the others lie a cell or less apart. The time is that of the
            throw aimed for; errors shift it by little. NaN off the grid, and after the first
            sample lower over the ground than `legs.throw.landing`. Samples end where the throw
            aimed for is 15 m below its target: of throws whose errors raise them by more than that,
            some two in a thousand, the last one is still in the air.

        Raises
        ------
        KeyError
            If there is no such leg.
        ValueError
            If `count` is out of range.
        InputError
            If the stored results are gone or damaged.
        """
        return throws_of(self.thrower, *self._leg(leg_id), count, seed)

    def release(self, leg_id: int) -> Release:
        """How the throw of a leg that is aimed for leaves the hand and comes down.

        Parameters
        ----------
        leg_id
            As in the table `legs`.

        Returns
        -------
        Release
            `disc` by kind; `speed_mps`, `spin_rad_s`; `launch_deg` of its way over level ground,
            `hyzer_deg` outer edge down, `nose_deg` over its way; `aim_deg` of its way against the
            line from tee to basket, left above 0; `mirrored` where it is thrown with the other hand
            or grip than a right-handed backhand; `descent_deg` and `turn_deg` at the target. From
            the table of the level, for the nearest length and slope; the model's lengths are
            stretched to those of the level, so that a speed is that of the model.

        Raises
        ------
        KeyError
            If there is no such leg.
        InputError
            If the stored results are gone or damaged.
        """
        return release_of(self.thrower, *self._leg(leg_id))

    def _leg(self, leg_id: int) -> tuple[str, Lines]:
        """Level and line of a leg."""
        table = self.stored.holes.legs
        leg = table[table["leg_id"] == leg_id]
        if not len(leg):
            raise KeyError(f"no leg {leg_id}; they are numbered from 1 to {len(table)}")
        return leg["level"].iloc[0], Lines.of(leg)

    def contact_density(self, xyz: ArrayLike) -> Floats:
        """How often a disc touches something per metre flown, as surveyed, at places.

        A throw through places `step` metres apart touches nothing with probability
        ``exp(-sum(density * step))``. Growth and probable trunks together; of a disc, so
        `legs.throw.disc` and `.twig` times what stops a laser pulse.

        Parameters
        ----------
        xyz : (n, 3)
            Coordinates and heights [m].

        Returns
        -------
        ndarray
            (n,) [1/m]. NaN where lidar never searched, off the grid, over unknown ground, under the
            ground, and from 16 m above it on, where no disc is expected.

        Raises
        ------
        ValueError
            If `xyz` is of another shape.
        InputError
            If the stored results are gone or damaged.
        """
        places = np.asarray(xyz, np.float64)
        if places.ndim != 2 or places.shape[1] != 3:
            raise ValueError(f"places are (n, 3): x, y, height; these are {places.shape}")
        return densities_at(self.thrower.contacts, self.grid, places)

    @cached_property
    def stored(self) -> Stored:
        """Results of the stages that throws are made from.

        Raises
        ------
        InputError
            If they are gone, damaged, or not those of the published run.
        """
        stored = stored_results(self.out, self.settings)
        if not _same_legs(stored.holes.legs, self.table("legs")):
            raise later(self.out)
        return stored

    @cached_property
    def thrower(self) -> Thrower:
        """What throws meet, who throws, and how legs are weighed."""
        return thrower_of(self.stored.scene, self.stored.flights, self.settings.legs)


def _same_legs(stored: pd.DataFrame, published: pd.DataFrame) -> bool:
    """Whether two tables hold the same legs; what is published is rounded."""
    if list(stored["leg_id"]) != list(published["leg_id"]):
        return False
    exact = ("tee_id", "end_id", "level", "origin")
    near = {"length_m": 0.051, "rise_m": 0.0051, "clear_rate": 0.00051, "seen_share": 0.00051}
    return all(list(stored[c]) == list(published[c]) for c in exact) and all(
        np.allclose(stored[c], published[c], rtol=0, atol=step, equal_nan=True)
        for c, step in near.items()
    )
