"""Forces of the air on a flying disc: published coefficients, density of the air, wind over height.

Conventions: with air of density rho, speed V and the disc's area S and diameter d, lift is
``rho/2 V**2 S CL``, drag ``rho/2 V**2 S CD`` and the pitching moment ``rho/2 V**2 S d CM``, nose-up
above 0. The angle of attack is the angle from the disc's plane down to its way through the air.

Sources
-------
- Golf discs, `tables/discs_golf.csv`: computed flow about four discs, Giljarhus et al., Disc golf
  trajectory modelling combining computational fluid dynamics and rigid body dynamics, Sports
  Engineering 25, 2022, doi 10.1007/s12283-022-00390-5. Linear in between; beyond 20 degrees their
  stable fairway driver is filled from the control driver. From -10 to 30 degrees here; beyond, the
  outermost values hold. The names are ours: DD distance driver, FD stable fairway driver, CO
  overstable and CU understable control driver.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np
from numpy.typing import ArrayLike

from lanewright.base.arrays import Floats

GRAVITY = 9.81  # m/s2
SEA_LEVEL_DENSITY = 1.225  # kg/m3, standard atmosphere at 15 degrees C
ROUGHNESS = 0.1
"""Roughness length [m] of the wind's profile over scattered bushes and crops: the class roughly
open of Davenport's classification as revised by Wieringa 1992 (from memory)."""
WIND_HEIGHT = 10.0
"""Height [m] for which wind is forecast (World Meteorological Organization)."""


@dataclass(frozen=True)
class Disc:
    """A golf disc.

    Attributes
    ----------
    name
        Lower case.
    alpha_deg
        Angles of attack of the table, ascending (angles,).
    lift, drag, moment
        Coefficients there (angles,).
    inertia_across, inertia_spin
        Moments of inertia about a diameter and about the axis, per mass [m2].
    mass, diameter, area
        [kg], [m], [m2].
    """

    name: str
    alpha_deg: Floats
    lift: Floats
    drag: Floats
    moment: Floats
    inertia_across: float
    inertia_spin: float
    mass: float = 0.175
    diameter: float = 0.211
    area: float = 0.03497

    def coefficients(self, alpha_deg: ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Coefficients of lift, drag and pitching moment at angles of attack [degrees].

        Examples
        --------
        >>> cl, cd, _ = golf_disc("fd").coefficients(5.0)
        >>> round(float(cl), 5), round(float(cd), 5)
        (0.30985, 0.07865)
        """
        a = np.asarray(alpha_deg, float)
        return (
            np.asarray(np.interp(a, self.alpha_deg, self.lift)),
            np.asarray(np.interp(a, self.alpha_deg, self.drag)),
            np.asarray(np.interp(a, self.alpha_deg, self.moment)),
        )


_INERTIA = {
    "dd": (3.755e-3, 7.465e-3),
    "fd": (3.809e-3, 7.577e-3),
    "co": (3.759e-3, 7.485e-3),
    "cu": (3.829e-3, 7.616e-3),
}
"""About a diameter and about the axis, per mass [m2]; Giljarhus et al. 2022."""

GOLF_DISCS = tuple(_INERTIA)


def _columns(table: str) -> dict[str, Floats]:
    """Columns of a table of the package; NaN where a cell is empty."""
    text = files("lanewright").joinpath(f"tables/{table}").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    return {name: np.array([float(row[name] or "nan") for row in rows]) for name in rows[0]}


@cache
def golf_disc(name: str) -> Disc:
    """Golf disc of that name: dd, fd, co or cu.

    Raises
    ------
    KeyError
        If there is none.
    """
    across, spin = _INERTIA[name]
    table = _columns("discs_golf.csv")
    lift, drag, moment = (table[f"{name}_{what}"] for what in ("cl", "cd", "cm"))
    return Disc(name, table["alpha_deg"], lift, drag, moment, across, spin)


def air_density(elevation: float, temperature_c: float) -> float:
    """Density of dry air [kg/m3] at a height above the sea [m] and a temperature.

    Pressure of the International Standard Atmosphere (ISO 2533), which loses 6.5 degrees a
    kilometre; the temperature is the one given, not the standard one.

    Examples
    --------
    >>> round(air_density(0.0, 15.0), 3), round(air_density(1000.0, 8.5), 3)
    (1.225, 1.112)
    """
    pressure = 101325.0 * (1 - 0.0065 * elevation / 288.15) ** 5.25588
    return float(pressure / (287.053 * (273.15 + temperature_c)))


def wind_profile(
    given_at: float = WIND_HEIGHT, roughness: float = ROUGHNESS
) -> tuple[float, float]:
    """Roughness length [m], and what turns the logarithm of height over it into a share of wind.

    The logarithmic profile over open ground, of the wind `given_at` a height [m]; none below the
    roughness length. In a wood there is less.
    """
    return roughness, float(1 / np.log(given_at / roughness))
