"""Coordinate references and units: what a file says, what we believe, and when we refuse to guess.

Public lidar mixes metres with two kinds of feet, sideways and upward, and headers that
contradict the coordinates under them. Everything a run does with lengths rests on the three
answers found here: the horizontal CRS, the unit of x and y, and the unit of z.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Proj, Transformer
from pyproj.aoi import AreaOfInterest
from pyproj.database import query_utm_crs_info
from pyproj.exceptions import CRSError, ProjError

from lanewright.base.arrays import Floats
from lanewright.base.errors import InputError

METRES_PER: dict[str, float] = {"m": 1.0, "ft": 0.3048, "us-ft": 1200 / 3937}
"""Metres in each unit that a setting can name: metre, international foot, US survey foot."""

# EPSG unit codes as GeoTIFF keys carry them (OGC 19-008r4, ProjLinearUnits and VerticalUnits).
_UNIT_CODES = {9001: "m", 9002: "ft", 9003: "us-ft"}

# How far beyond its stated area a CRS may be met before it is not believed; UTM zones are often
# stretched over a neighbour by a few degrees.
_AREA_MARGIN_DEG = 3.0

# A working CRS may stretch lengths by so much; Web Mercator at 40 degrees stretches by 30 %.
_MOST_STRETCH = 0.004

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True)
class Reference:
    """How the numbers of one file become metres.

    Attributes
    ----------
    crs
        WKT of the horizontal CRS.
    to_crs
        Factor from the file's x and y to the unit of `crs`; 1 unless the file contradicts itself.
    vertical
        Metres in one unit of z.
    found, assumed
        What the file said, and what had to be taken for granted, as sentences.
    doubt
        Evidence went against what the file says; to be shown as a warning.
    """

    crs: str
    to_crs: float
    vertical: float
    found: str
    assumed: tuple[str, ...] = ()
    doubt: str | None = None

    @property
    def unit_names(self) -> tuple[str, str]:
        """Names of the units of x, y and of z in the file."""
        own = _axis_metres(CRS.from_wkt(self.crs))
        sideways = "degree" if np.isnan(own) else _unit_name(own * self.to_crs)
        return sideways, _unit_name(self.vertical)


def _unit_name(metres: float) -> str:
    for name, value in METRES_PER.items():
        if abs(metres / value - 1) < 5e-7:
            return {"m": "metre", "ft": "international foot", "us-ft": "US survey foot"}[name]
    return f"unit of {metres:.9g} m"


def _axis_metres(crs: CRS) -> float:
    """Metres in one unit of a projected CRS; NaN for degrees."""
    return crs.axis_info[0].unit_conversion_factor if crs.is_projected else float("nan")


def point_reference(
    where: object,
    wkt: str | None,
    geo_keys: Mapping[int, int],
    bounds: Bounds,
    *,
    crs: str | None = None,
    horizontal_unit: str | None = None,
    vertical_unit: str | None = None,
) -> Reference:
    """Settle the CRS and units of a point file.

    Parameters
    ----------
    where
        The file, for messages.
    wkt, geo_keys
        What the file carries: OGC WKT, and GeoTIFF keys by number.
    bounds
        Left, bottom, right, top in the file's own unit.
    crs, horizontal_unit, vertical_unit
        Settings that override the file.

    Raises
    ------
    InputError
        If the CRS is missing or unreadable, the coordinates lie far outside its area, or the
        unit of heights is not stated where taking it wrongly would be an error of a factor.
    """
    if crs is not None:
        full, found = _parse(where, crs, "setting crs.points"), f"CRS from the settings: {crs}"
    elif wkt and wkt.strip("\0 "):
        full, found = _parse(where, wkt.strip("\0 "), "CRS in the file"), "CRS from WKT"
    else:
        full, found = _from_keys(where, geo_keys), "CRS from GeoTIFF keys"
    flat, vertical_crs = _split(full)
    if not (flat.is_projected or flat.is_geographic):
        raise InputError(
            where,
            f"its CRS ({flat.name}) is neither projected nor geographic",
            "Set crs.points to the CRS of the tiles, as EPSG:n.",
        )
    found = f"{found}: {flat.name}"

    factor, doubt = _unit_of_xy(where, flat, geo_keys, bounds, horizontal_unit, crs is not None)
    vertical, assumed = _unit_of_z(where, flat, vertical_crs, geo_keys, factor, vertical_unit)
    return Reference(flat.to_wkt(), factor, vertical, found, assumed, doubt)


def _parse(where: object, text: str, what: str) -> CRS:
    try:
        return CRS.from_user_input(text)
    except CRSError as err:
        reason = str(err).splitlines()[0][:120]
        raise InputError(
            where, f"the {what} cannot be understood ({reason})", "Set crs.points, as EPSG:n."
        ) from None


def _from_keys(where: object, keys: Mapping[int, int]) -> CRS:
    # 32767 means user-defined and 0 undefined: no code to look up.
    for key in (3072, 2048):
        code = keys.get(key, 0)
        if key == 2048 and keys.get(1024) == 1:
            break  # a projected model whose projection is not stated
        if 1024 <= code < 32767:
            return _parse(where, f"EPSG:{code}", "CRS in the GeoTIFF keys")
    raise InputError(
        where,
        "it does not say which CRS its coordinates are in",
        "Set crs.points to the CRS of the tiles, as EPSG:n, and crs.vertical_unit if not metres.",
    )


def _split(crs: CRS) -> tuple[CRS, CRS | None]:
    """Horizontal and vertical parts."""
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    if crs.is_compound:
        parts = crs.sub_crs_list
        flat = parts[0].source_crs if parts[0].is_bound and parts[0].source_crs else parts[0]
        return flat, parts[1]
    if len(crs.axis_info) == 3:
        return crs.to_2d(), crs
    return crs, None


def _unit_of_xy(
    where: object,
    flat: CRS,
    keys: Mapping[int, int],
    bounds: Bounds,
    setting: str | None,
    crs_given: bool,
) -> tuple[float, str | None]:
    """Factor from the file's x and y to the CRS's unit, and a doubt if the file is overruled."""
    remedy = (
        "Set crs.points to the true CRS, or crs.horizontal_unit (m, ft, us-ft) to the true unit."
    )
    if flat.is_geographic:
        if not _place_fits(flat, bounds, 1.0):
            raise InputError(
                where, f"coordinates {_span(bounds)} are not degrees of {flat.name}", remedy
            )
        return 1.0, None
    own = _axis_metres(flat)
    if setting is not None:
        factor = METRES_PER[setting] / own
        if not _place_fits(flat, bounds, factor):
            raise InputError(where, _elsewhere(flat, bounds, factor), remedy)
        return factor, None
    key_unit = _UNIT_CODES.get(keys.get(3076, 0))
    key_factor = METRES_PER[key_unit] / own if key_unit and not crs_given else 1.0
    if abs(key_factor - 1) > 1e-7:
        # Two statements in one header. The place on earth decides, if it can.
        as_crs, as_key = _place_fits(flat, bounds, 1.0), _place_fits(flat, bounds, key_factor)
        if as_crs == as_key:
            raise InputError(
                where,
                f"its CRS {flat.name} has the unit {_unit_name(own)} but its header says "
                f"{_unit_name(METRES_PER[str(key_unit)])}, and the place on earth does not decide",
                remedy,
            )
        if as_key:
            return key_factor, (
                f"its CRS {flat.name} has the unit {_unit_name(own)}, but the header also says "
                f"{_unit_name(METRES_PER[str(key_unit)])}, and only so do the coordinates lie "
                "where that CRS is used; read so"
            )
        return 1.0, None
    if not _place_fits(flat, bounds, 1.0):
        raise InputError(where, _elsewhere(flat, bounds, 1.0), remedy)
    return 1.0, None


def _unit_of_z(
    where: object,
    flat: CRS,
    vertical: CRS | None,
    keys: Mapping[int, int],
    factor: float,
    setting: str | None,
) -> tuple[float, tuple[str, ...]]:
    if setting is not None:
        return METRES_PER[setting], (f"heights in {setting}, from the settings",)
    if vertical is not None:
        return float(vertical.axis_info[-1].unit_conversion_factor), ()
    if keys.get(4099, 0) in _UNIT_CODES:
        return METRES_PER[_UNIT_CODES[keys[4099]]], ()
    code = keys.get(4096, 0)
    if 1024 <= code < 32767:
        try:
            return float(CRS.from_epsg(code).axis_info[-1].unit_conversion_factor), ()
        except CRSError:
            pass
    if flat.is_projected and abs(_axis_metres(flat) * factor - 1) < 1e-9:
        return 1.0, ("heights in metres, as x and y are; the file does not say",)
    unit = "degree" if flat.is_geographic else _unit_name(_axis_metres(flat) * factor)
    raise InputError(
        where,
        f"the unit of x and y is the {unit} and nothing says what unit heights are in",
        "Set crs.vertical_unit to m, ft or us-ft; taken wrongly, every slope and tree is 3.28 "
        "times off.",
    )


def _lonlat(crs: CRS, x: float, y: float) -> tuple[float, float] | None:
    try:
        lon, lat = _transformer(crs.to_wkt(), "EPSG:4326").transform(x, y)
    except ProjError:
        return None
    return (lon, lat) if np.isfinite(lon) and np.isfinite(lat) else None


def _place_fits(crs: CRS, bounds: Bounds, factor: float) -> bool:
    """Whether the middle of the bounds lies in or near the area the CRS is made for."""
    x, y = (bounds[0] + bounds[2]) / 2 * factor, (bounds[1] + bounds[3]) / 2 * factor
    place = _lonlat(crs, x, y)
    if place is None or abs(place[1]) > 90:
        return False
    area = crs.area_of_use
    if area is None:
        return True  # a CRS of its own making; nothing to hold the place against
    lon, lat = place
    west, east = area.west, area.east if area.east >= area.west else area.east + 360
    inside = any(
        west - _AREA_MARGIN_DEG <= lon + turn <= east + _AREA_MARGIN_DEG for turn in (-360, 0, 360)
    )
    return inside and area.south - _AREA_MARGIN_DEG <= lat <= area.north + _AREA_MARGIN_DEG


def _span(bounds: Bounds) -> str:
    return f"x {bounds[0]:.6g} to {bounds[2]:.6g}, y {bounds[1]:.6g} to {bounds[3]:.6g}"


def _elsewhere(crs: CRS, bounds: Bounds, factor: float) -> str:
    x, y = (bounds[0] + bounds[2]) / 2 * factor, (bounds[1] + bounds[3]) / 2 * factor
    place = _lonlat(crs, x, y)
    at = f"at longitude {place[0]:.2f}, latitude {place[1]:.2f}" if place else "off the earth"
    area = crs.area_of_use
    use = f", which is made for {area.name[:80]}" if area else ""
    return f"its coordinates ({_span(bounds)}) would lie {at} in {crs.name}{use}"


def working_crs(candidates: list[Reference], bounds: Bounds, setting: str | None = None) -> CRS:
    """CRS to work in: the most common metric one among the files, else the local UTM zone.

    Parameters
    ----------
    candidates
        References of the files, any order.
    bounds
        Where the first candidate's file lies, in its own unit; only used to find the UTM zone.
    setting
        Override, as EPSG:n.
    """
    first = candidates[0]
    source = CRS.from_wkt(first.crs)
    x = (bounds[0] + bounds[2]) / 2 * first.to_crs
    y = (bounds[1] + bounds[3]) / 2 * first.to_crs
    place = _lonlat(source, x, y)
    if setting is not None:
        chosen = _split(_parse("crs.working", setting, "setting crs.working"))[0]
        if not _is_metric(chosen, place):
            raise InputError(
                "crs.working",
                f"{chosen.name} is not a projected CRS in metres that keeps lengths here",
                "Choose a UTM zone or national grid, or leave the key out.",
            )
        return chosen
    votes: dict[str, int] = {}
    for reference in candidates:
        if _is_metric(CRS.from_wkt(reference.crs), place):
            votes[reference.crs] = votes.get(reference.crs, 0) + 1
    if votes:
        return CRS.from_wkt(max(sorted(votes), key=lambda wkt: votes[wkt]))
    if place is None:
        raise InputError(source.name, "its coordinates lie nowhere on earth", "Check crs.points.")
    return _utm(source, *place)


def _is_metric(crs: CRS, place: tuple[float, float] | None) -> bool:
    if not crs.is_projected or abs(_axis_metres(crs) - 1) > 1e-12:
        return False
    if place is None:
        return True
    try:
        stretch = Proj(crs).get_factors(*place).areal_scale ** 0.5
    except ProjError:
        return True  # projections without factors; the place test has passed already
    return bool(abs(stretch - 1) <= _MOST_STRETCH)


def _utm(source: CRS, lon: float, lat: float) -> CRS:
    area = AreaOfInterest(lon, lat, lon, lat)
    datum = source.geodetic_crs.name if source.geodetic_crs else None
    # Staying on the file's own datum spares a shift of a metre or two.
    for name in (datum, "WGS 84"):
        zones = query_utm_crs_info(datum_name=name, area_of_interest=area) if name else []
        if zones:
            return CRS.from_epsg(min(int(zone.code) for zone in zones))
    raise InputError("crs.working", "no UTM zone covers the tiles", "Set crs.working, as EPSG:n.")


@lru_cache(maxsize=64)
def _transformer(source: str, target: str) -> Transformer:
    return Transformer.from_crs(
        CRS.from_user_input(source), CRS.from_user_input(target), always_xy=True
    )


def to_working(
    reference: Reference, working: str, x: Floats, y: Floats
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Coordinates of a file in the working CRS [m]."""
    x = np.asarray(x, dtype=np.float64) * reference.to_crs
    y = np.asarray(y, dtype=np.float64) * reference.to_crs
    if same_crs(reference.crs, working):
        return x, y
    out_x, out_y = _transformer(reference.crs, working).transform(x, y)
    return np.asarray(out_x), np.asarray(out_y)


@lru_cache(maxsize=64)
def same_crs(one: str, other: str) -> bool:
    """Whether two WKTs mean the same coordinates."""
    if one == other:
        return True
    return bool(CRS.from_user_input(one).equals(CRS.from_user_input(other), ignore_axis_order=True))


def bounds_in(reference: Reference, working: str, bounds: Bounds) -> Bounds:
    """Box around the file's bounds in the working CRS; edges are sampled, for they may bend."""
    t = np.linspace(0, 1, 9)
    left, bottom, right, top = bounds
    x = np.concatenate(
        [left + (right - left) * t, left + (right - left) * t, 0 * t + left, 0 * t + right]
    )
    y = np.concatenate(
        [0 * t + bottom, 0 * t + top, bottom + (top - bottom) * t, bottom + (top - bottom) * t]
    )
    wx, wy = to_working(reference, working, x, y)
    return float(wx.min()), float(wy.min()), float(wx.max()), float(wy.max())


def lonlat_of(working: str, x: float, y: float) -> tuple[float, float] | None:
    """Longitude and latitude (WGS 84) of a place in the working CRS; None off the earth."""
    return _lonlat(CRS.from_user_input(working), x, y)


def authority(working: str) -> str:
    """Short name for people: the EPSG code where there is one, else the CRS's own name."""
    crs = CRS.from_user_input(working)
    code = crs.to_epsg()
    return f"EPSG:{code} {crs.name}" if code else crs.name
