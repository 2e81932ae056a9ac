"""The demo property Hollow Creek: an invented farm wood, its survey and its truth.

Run `python sample_tiles/make_tiles.py` to write everything beside this file. `hollow_creek()` gives
the land and the truth to tests without a file. Lengths are metres; the plan below is drawn in
metres east and north of the property's south-west corner.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from rasterio.transform import from_origin
from scipy import ndimage
from shapely.geometry import LineString, Point, Polygon, box

from land import TREE, Band, Land, cell_centres, ground_at, make_land, smooth_noise
from pulses import UTM_16N, Points, Sensor, Strip, crop, fly, write_laz
from woods import CEDAR, HORNBEAM, MAPLE, OAK, PINE, grow

HERE = Path(__file__).parent
SEED = 1874
LEFT, BOTTOM = 552_000.0, 4_310_000.0
PROPERTY = Polygon(
    [(6, 0), (548, 4), (560, 130), (556, 300), (520, 392), (430, 476), (210, 480), (60, 462),
     (0, 410), (10, 210)]
)  # fmt: skip
SURVEYED = (-24.0, -24.0, 584.0, 504.0)
LAND = (-120.0, -120.0, 680.0, 600.0)
SURVEYED_UTM = tuple(v + o for v, o in zip(SURVEYED, (LEFT, BOTTOM) * 2, strict=True))
GROWN = box(*SURVEYED).buffer(16.0, join_style="mitre")
CELL = 0.5

CREEK = LineString(
    [(452, 600), (430, 540), (418, 492), (392, 452), (352, 424), (338, 386), (350, 344), (336, 304),
     (296, 280), (262, 262), (246, 224), (258, 186), (244, 148), (206, 128), (176, 100), (172, 62),
     (150, 24), (128, -20), (118, -70), (92, -120)]
)  # fmt: skip
DRAWS = [
    LineString([(40, 300), (110, 286), (180, 250), (246, 224)]),
    LineString([(540, 430), (470, 420), (400, 440)]),
    LineString([(20, 60), (90, 84), (172, 62)]),
]
POND = Point(416, 118)  # centre; an oval of 52 by 32 m
DEPRESSION = Point(118, 372)
ROAD = LineString([(690, 40), (600, 92), (536, 150), (506, 214), (500, 268)])
YARD = Polygon([(478, 268), (522, 268), (526, 318), (476, 322)])
HOUSE = box(492, 288, 506, 299)
WIRE = LineString([(690, 52), (606, 103), (545, 159), (517, 216), (506, 286)])

# Centre line, width and roof height of the natural tunnels.
TUNNELS = {
    "ironwood": (LineString([(206, 338), (254, 376), (286, 404)]), 5.0, 7.0),
    "doe path": (
        LineString([(196, 452), (222, 424), (232, 388), (228, 344), (218, 318)]),
        5.5,
        7.5,
    ),
    "bottoms": (LineString([(70, 138), (128, 170), (198, 196)]), 6.0, 8.0),
}
# Lanes open to the sky.
TRACKS = {
    "cart track": (LineString([(470, 300), (428, 318), (388, 312), (352, 304)]), 7.0),
    "skid road": (LineString([(28, 236), (96, 226), (160, 208), (222, 176)]), 7.0),
    "north ride": (LineString([(20, 404), (90, 418), (160, 440)]), 8.0),
}
THICKET = (LineString([(60, 268), (128, 306), (150, 318)]), 9.0)
CLEARINGS = [(58, 190, 17), (152, 262, 16), (88, 330, 14), (196, 60, 18), (60, 40, 20),
             (300, 440, 15), (388, 380, 17), (312, 232, 15)]  # fmt: skip


@dataclass(frozen=True)
class Scenario:
    """The property as it truly is.

    Attributes
    ----------
    land
        Ground and vegetation in UTM.
    trees, species
        Records of `land.TREE` and their species' names.
    truth
        What was planted, as GeoJSON-like plain values in UTM.
    house, wire
        Shapes in UTM which the survey labels.
    """

    land: Land
    trees: NDArray
    species: NDArray[np.str_]
    truth: dict[str, Any]
    house: Polygon
    wire: LineString


def _distance(
    shape: shapely.Geometry, x: NDArray, y: NDArray, reach: float = 40.0
) -> NDArray[np.float64]:
    """Distance of cells to a shape [m], infinite beyond its bounding box and `reach`."""
    left, bottom, right, top = shape.buffer(reach).bounds
    cols = np.flatnonzero((x[0] > left) & (x[0] < right))
    rows = np.flatnonzero((y[:, 0] > bottom) & (y[:, 0] < top))
    out = np.full(x.shape, np.inf)
    if rows.size and cols.size:
        part = slice(rows[0], rows[-1] + 1), slice(cols[0], cols[-1] + 1)
        shapely.prepare(shape)
        out[part] = shapely.distance(shape, shapely.points(x[part], y[part]))
    return out


def _spread(
    measure: Callable[..., NDArray], shape: shapely.Geometry, x: NDArray, y: NDArray
) -> NDArray[np.float64]:
    """Measure a distance on every fourth cell and interpolate: it changes slowly."""
    shapely.prepare(shape)
    coarse = measure(shape, shapely.points(x[2::4, 2::4], y[2::4, 2::4]))
    rows, cols = ((np.arange(n) - 2) / 4 for n in x.shape)
    places = np.meshgrid(rows, cols, indexing="ij")
    return ndimage.map_coordinates(coarse, places, order=1, mode="nearest")


def _smooth(line: LineString) -> LineString:
    """Round off the corners of a drawn line (Chaikin 1974)."""
    points = np.array(line.coords)
    for _ in range(3):
        first, second = points[:-1], points[1:]
        cut = np.stack([0.75 * first + 0.25 * second, 0.25 * first + 0.75 * second], 1)
        points = np.vstack([points[:1], cut.reshape(-1, 2), points[-1:]])
    return LineString(points)


def _longer(line: LineString, metres: float) -> LineString:
    """Carry a line on at both ends."""
    points = np.array(line.coords)
    for end, inner in ((0, 1), (-1, -2)):
        step = points[end] - points[inner]
        points[end] += step / np.hypot(*step) * metres
    return LineString(points)


def _oval(centre: Point, across: float, up: float) -> Polygon:
    turn = np.linspace(0, 2 * np.pi, 49)[:-1]
    wobble = 1 + 0.06 * np.sin(3 * turn + 0.7) + 0.04 * np.sin(5 * turn)
    return Polygon(
        np.stack(
            [
                centre.x + across / 2 * wobble * np.cos(turn),
                centre.y + up / 2 * wobble * np.sin(turn),
            ],
            1,
        )
    )


def _relief(
    x: NDArray, y: NDArray, rng: np.random.Generator
) -> tuple[NDArray[np.float64], NDArray[np.float64], dict[str, Any]]:
    """Shape ground and water level; also what is known of them."""
    creek = _smooth(CREEK)
    away = _spread(shapely.distance, creek, x, y)
    down = ndimage.gaussian_filter(_spread(shapely.line_locate_point, creek, x, y), 12)
    bed = 206.5 - 6.0 * down / creek.length
    # A flood plain, then slopes that ease off towards the tops.
    hill = 13.0 * (1 - np.exp(-((np.maximum(away - 14, 0) / 120) ** 1.5)))
    ground = bed + 1.3 + 0.02 * away + hill
    rough = np.clip(away / 90, 0.04, 1)
    ground += rough * 1.6 * smooth_noise(x.shape, 360, rng)
    ground += rough * 0.5 * smooth_noise(x.shape, 150, rng)
    ground += 0.05 * np.clip(away / 25, 0.2, 1) * smooth_noise(x.shape, 30, rng)
    ground += 0.015 * smooth_noise(x.shape, 5, rng)
    for draw in DRAWS:
        line = _smooth(draw)
        d = _spread(shapely.distance, line, x, y)
        s = _spread(shapely.line_locate_point, line, x, y)
        ground -= 3.6 * np.exp(-((d / 10) ** 2)) * np.clip(s / 60, 0, 1) * np.clip(hill / 9, 0, 1)

    # The pond: dug into a levelled bench, its spill towards the creek.
    pond = _oval(POND, 52, 32)
    d = _distance(pond, x, y)
    level = round(float(np.median(ground[d == 0])), 2)
    bench = np.clip(1 - (d - 4) / 22, 0, 1)
    bench = bench * bench * (3 - 2 * bench)
    ground = ground * (1 - bench) + (level + 0.5) * bench
    inside = -ndimage.distance_transform_edt(d == 0) * CELL
    # The bank falls to the bottom within some metres either side of the shore.
    shore = np.clip(np.where(d > 0, d, inside) / 3.0, -1, 1)
    ground = np.where(shore < 1, np.minimum(ground, level + 0.55 * shore), ground)
    ground = np.where(d == 0, level - 0.12 + np.maximum(inside / 4, -1.6), ground)

    # A closed hollow in the wood: a levelled saucer, then a bowl in it.
    d = np.hypot(x - DEPRESSION.x, y - DEPRESSION.y)
    rim = float(ground[d < 20].mean())
    bench = np.clip(1 - (d - 15) / 14, 0, 1)
    bench = bench * bench * (3 - 2 * bench)
    ground = ground * (1 - bench) + (rim + 0.02 * d) * bench
    ground -= 1.3 * np.exp(-((d / 7.5) ** 4))

    # The road bed is graded: level across, smooth along.
    d = _spread(shapely.distance, ROAD, x, y)
    graded = ndimage.gaussian_filter(ground, 16)
    bench = np.clip(1 - (d - 3) / 4, 0, 1)
    ground = ground * (1 - bench) + (graded + 0.25) * bench
    yard = np.clip(1 - _spread(shapely.distance, YARD, x, y) / 12, 0, 1)
    ground = ground * (1 - yard) + float(ground[yard == 1].mean()) * yard

    # Last the channel, so that nothing dams it.
    channel = np.clip((4.2 - away) / 2.2, 0, 1)
    channel = channel * channel * (3 - 2 * channel)
    ground = ground * (1 - channel) + bed * channel
    water = np.where(away < 1.6, bed + 0.18, np.nan)
    ground = np.where(away < 1.6, bed - 0.1, ground)
    water[shapely.contains_xy(pond, x, y)] = level
    known = {
        "creek": creek,
        "creek_bed": "206.5 m at the first vertex, 200.5 m at the last, even fall",
        "pond": pond,
        "pond_level_m": level,
        "depression": DEPRESSION,
    }
    return ground, water, known


@lru_cache(maxsize=1)
def hollow_creek() -> Scenario:
    """Make the land; some seconds."""
    rng = np.random.default_rng(SEED)
    x, y = cell_centres(LAND, CELL)
    shape = x.shape
    ground, water, known = _relief(x, y, rng)

    grown = shapely.contains_xy(GROWN, x, y)
    creek_away = _spread(shapely.distance, known["creek"], x, y)
    wander = 14 * smooth_noise(shape, 70, rng)

    # What stands where. Numbers are the kinds of stand.
    meadow = (x + wander > 292) & (y + 0.4 * wander < 226) & (creek_away > 22)
    old_field = (x + wander > 404) & (y + wander > 214) & (creek_away > 20)
    pole = (x + wander > 176) & (x + wander < 336) & (y - wander > 306) & (creek_away > 14)
    pines = (x + wander < 176) & (y + wander > 318)
    wood = grown & ~meadow & ~old_field & ~pole & ~pines
    pole &= ~meadow & ~old_field
    pines &= ~pole

    open_sky = np.zeros(shape, bool)
    for line, width in TRACKS.values():
        open_sky |= _distance(line, x, y) < width / 2 + 0.3 * smooth_noise(shape, 12, rng)
    for cx, cy, radius in CLEARINGS:
        edge = radius + 2.0 * smooth_noise(shape, 24, rng)
        open_sky |= np.hypot(x - cx, y - cy) < edge
    thicket = _distance(THICKET[0], x, y) < THICKET[1] / 2
    farm = (_distance(ROAD, x, y) < 6) | (_distance(YARD, x, y) < 8) | (_distance(WIRE, x, y) < 6)
    bare = open_sky | thicket | farm | np.isfinite(water) | ~grown

    def stand(where: NDArray[np.bool_], spacing: float, vary: float) -> NDArray[np.float64]:
        gaps = spacing * (1 + vary * smooth_noise(shape, 40, rng))
        return np.where(where & ~bare, np.clip(gaps, 0.6 * spacing, 2.2 * spacing), np.nan)

    def away_from(mask: NDArray[np.bool_], metres: float) -> NDArray[np.bool_]:
        return ndimage.distance_transform_edt(~mask) * CELL > metres

    off_track = away_from(open_sky | thicket, 2.0)
    dry_feet = away_from(np.isfinite(water), 6.0)
    share = ndimage.gaussian_filter((smooth_noise(shape, 120, rng) > 0.9).astype(float), 8)
    mixed = {OAK: 1 - share, MAPLE: 0.7, PINE: share}
    young = {HORNBEAM: 1.0, MAPLE: 0.35, CEDAR: 0.15}
    parts = [
        grow(stand(wood & off_track, 6.2, 0.25), LAND, mixed, rng),
        grow(stand(pines & off_track, 5.2, 0.12), LAND, {PINE: 1.0, MAPLE: 0.04}, rng),
        grow(stand(pole & off_track, 2.6, 0.2), LAND, young, rng),
        grow(stand(old_field, 13.0, 0.4), LAND, {CEDAR: 1.0, OAK: 0.12}, rng),
        grow(stand(meadow & dry_feet, 34.0, 0.2), LAND, {OAK: 1.0, CEDAR: 0.3}, rng, size=0.85),
    ]
    trees = np.concatenate([p[0] for p in parts])
    species = np.concatenate([p[1] for p in parts])

    # Nothing stands in a tunnel, and no crown hangs below its roof.
    roofs, sides, holes = [], [], []
    for line, width, roof in TUNNELS.values():
        d = _distance(line, x, y)
        # Its ends open into the wood, through the growth that walls it in.
        opened = _longer(line, width / 2 + 11)
        inside = _distance(opened, x, y) < width / 2
        near = d < width / 2 + 9
        sides.append((near & ~inside & grown & ~np.isfinite(water), roof))
        roofs.append((d < width / 2 + 1.5, roof))
        holes.append((inside, roof))
        axis = shapely.distance(opened, shapely.points(trees["x"], trees["y"]))
        keep = axis > width / 2 + 0.4
        trees, species = trees[keep], species[keep]
    patchy = smooth_noise(shape, 9, rng)
    understory = np.clip(0.02 * np.exp(0.9 * smooth_noise(shape, 30, rng)), 0.003, 0.15)
    thick = np.clip(0.55 * (smooth_noise(shape, 46, rng) + 0.35 * patchy - 0.75), 0, 1.2)
    banks = np.clip(0.9 * (smooth_noise(shape, 60, rng) + 0.3 * patchy + 0.15), 0, 1.0)
    banks *= np.exp(-(((creek_away - 8) / 6) ** 2))
    dry = ~np.isfinite(water) & ~farm & grown

    def band(density: Any, where: NDArray[np.bool_], low: float, high: float) -> Band:
        return Band(np.where(where & dry, density, 0).astype(np.float32), low, high)

    clear = dry & ~open_sky
    ragged = smooth_noise(shape, 10, rng)
    mottled = 1 + 0.4 * np.clip(patchy, -1.5, 2)
    bands = [
        band(0.06, grown & (meadow | old_field | open_sky), 0.0, 0.25),
        band(understory, clear & wood, 0.0, 5.0),
        band(0.5 * understory, clear & pines, 0.0, 4.0),
        band(banks, clear, 0.0, 2.0),
        band(banks, clear & (ragged > 0), 2.0, 3.0),
        band(1.0, thicket, 0.0, 2.25),
    ]

    def brush(density: Any, where: NDArray[np.bool_], top: float, vary: float) -> list[Band]:
        """Growth from the ground to a ragged top, in slices of a metre."""
        height = top + vary * np.clip(ragged, -2, 2)
        slices = np.arange(0.0, top + 2 * vary, 1.0)
        return [band(density, where & (height > low + 0.5), low, low + 1.0) for low in slices]

    bands += brush(0.22 * mottled, clear & pole, 5.0, 0.8)
    bands += brush(thick, clear & (wood | old_field), 2.5, 0.6)
    for where, roof in sides:
        bands += brush(0.35 * mottled, where, roof - 0.5, 1.0)
    for where, roof in roofs:
        height = roof + 4.5 + 1.2 * np.clip(ragged, -2, 2)
        bands += [
            band(0.22 * mottled, where & (height > low + 0.5), low, low + 1.0)
            for low in np.arange(roof, roof + 7.0, 1.0)
        ]
    house = shapely.contains_xy(HOUSE, x, y)
    bands.append(Band(np.where(house, 100.0, 0).astype(np.float32), 0.0, 6.0))
    carve = [(inside, 0.0, roof) for inside, roof in holes]
    carve += [(thicket, 3.0, 40.0), (open_sky & ~thicket, 0.5, 40.0), (farm & ~house, 0.0, 40.0)]

    def utm(shape_: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(shape_, lambda xy: xy + np.array([LEFT, BOTTOM]))

    moved = trees.copy()
    moved["x"] += LEFT
    moved["y"] += BOTTOM
    made = make_land(
        ground, LEFT + LAND[0], BOTTOM + LAND[3], cell=CELL, trees=moved, bands=bands, carve=carve,
        water=water, clumping=0.6, seed=SEED,
    )  # fmt: skip
    # Whose stem was cut for a track or a tunnel is no tree.
    standing = np.isin(moved["x"], made.stems[:, 0])
    truth = _describe(known, utm, made)
    return Scenario(made, moved[standing], species[standing], truth, utm(HOUSE), utm(WIRE))


def _describe(known: dict[str, Any], utm: Any, made: Land) -> dict[str, Any]:
    """What was planted, in plain values."""

    def plain(shape: shapely.Geometry) -> list:
        ring = shape.exterior if isinstance(shape, Polygon) else shape
        return np.round(np.array(utm(ring).coords), 2).tolist()

    depression = utm(known["depression"])
    return {
        "crs": "EPSG:26916",
        "tunnels": {
            name: {"line": plain(line), "width_m": width, "roof_m": roof}
            for name, (line, width, roof) in TUNNELS.items()
        },
        "open_tracks": {
            name: {"line": plain(line), "width_m": width} for name, (line, width) in TRACKS.items()
        },
        "thicket_gap": {
            "line": plain(THICKET[0]),
            "width_m": THICKET[1],
            "brush_m": [0.0, 2.25],
            "contact_density": 1.0,
        },
        "clearings": [
            {"centre": [LEFT + cx, BOTTOM + cy], "radius_m": r} for cx, cy, r in CLEARINGS
        ],
        "pond": {"outline": plain(known["pond"]), "level_m": known["pond_level_m"]},
        "creek": {"line": plain(known["creek"]), "bed_m": known["creek_bed"], "wet_width_m": 3.2},
        "depression": {
            "centre": list(depression.coords[0]),
            "bottom_m": round(float(ground_at(made, depression.x, depression.y)), 2),
        },
        "road": plain(ROAD),
        "house": plain(HOUSE),
        "wire": {"line": plain(WIRE), "height_m": [7.6, 9.0]},
    }


# ---------------------------------------------------------------------------------------------
# The survey


def survey(scenario: Scenario) -> Points:
    """Fly two strips that overlap in the middle, and label house and wire as a vendor would."""
    area = SURVEYED_UTM
    strips = [
        Strip(LEFT + 280, BOTTOM + 240 + 215, 92.0, 1050.0, 18.0, 4.3, 11),
        Strip(LEFT + 280, BOTTOM + 240 - 215, 272.0, 1050.0, 18.0, 4.3, 12),
    ]
    sensor = Sensor(unclassified=0.03, stray=3e-5)
    aim = (area[0] - 12, area[1] - 12, area[2] + 12, area[3] + 12)
    points = crop(fly(scenario.land, strips, sensor, seed=SEED, bounds=aim), area)
    place = shapely.points(points["x"], points["y"])
    h = points["z"] - ground_at(scenario.land, points["x"], points["y"])
    roof = shapely.contains(scenario.house.buffer(0.3), place) & (h > 2) & (h < 8)
    points["classification"][roof] = 6
    _hang_wire(points, scenario, place)
    return points


def _hang_wire(points: Points, scenario: Scenario, place: NDArray) -> None:
    """Let pulses that pass a hand's breadth from the wire end on it."""
    rng = np.random.default_rng([SEED, 5])
    shapely.prepare(scenario.wire)
    near = np.flatnonzero(
        shapely.dwithin(scenario.wire, place, 0.22) & (points["number_of_returns"] == 1)
    )
    near = near[rng.uniform(size=len(near)) < 0.7]
    along = shapely.line_locate_point(scenario.wire, place[near])
    on_wire = shapely.line_interpolate_point(scenario.wire, along)
    # Poles every 40 m, between them the wire hangs 1.4 m lower.
    sag = 1.4 * 4 * (along % 40 / 40) * (1 - along % 40 / 40)
    points["x"][near], points["y"][near] = shapely.get_x(on_wire), shapely.get_y(on_wire)
    points["z"][near] = ground_at(scenario.land, points["x"][near], points["y"][near]) + 9.0 - sag
    points["classification"][near] = 14


def write_points(points: Points, folder: Path) -> list[Path]:
    """Four tiles; the two western ones share a strip of 20 m, as buffered deliveries do."""
    middle_x, middle_y = LEFT + 280.0, BOTTOM + 240.0
    west, south, east, north = (
        LEFT + SURVEYED[0], BOTTOM + SURVEYED[1], LEFT + SURVEYED[2], BOTTOM + SURVEYED[3],
    )  # fmt: skip
    tiles = {
        "hollow_creek_nw.laz": (west, middle_y - 10, middle_x, north),
        "hollow_creek_sw.laz": (west, south, middle_x, middle_y + 10),
        "hollow_creek_ne.laz": (middle_x, middle_y, east, north),
        "hollow_creek_se.laz": (middle_x, south, east, middle_y),
    }
    for name, bounds in tiles.items():
        write_laz(folder / name, crop(points, bounds), UTM_16N)
    return [folder / name for name in tiles]


def write_elevation(scenario: Scenario, path: Path) -> None:
    """Terrain model of 1 m, water flattened to its level, one corner never surveyed."""
    land = scenario.land
    surface = np.where(np.isfinite(land.water), land.water, land.ground)
    rows, cols = (n // 2 for n in surface.shape)
    coarse = surface.reshape(rows, 2, cols, 2).mean((1, 3))
    row, col = np.indices(coarse.shape)
    coarse = np.round(coarse, 2).astype(np.float32)
    coarse[row + col < 60] = -9999.0
    path.parent.mkdir(parents=True, exist_ok=True)
    with rasterio.open(
        path, "w", driver="GTiff", height=rows, width=cols, count=1, dtype="float32",
        crs=UTM_16N.sub_crs_list[0].to_wkt(), nodata=-9999.0, compress="deflate", predictor=3,
        zlevel=9, tiled=True, blockxsize=256, blockysize=256,
        transform=from_origin(land.left, land.top, 1.0, 1.0),
    ) as out:  # fmt: skip
        out.write(coarse, 1)


def write_vectors(folder: Path) -> None:
    """Property, keep-out areas and the designer's own ideas as GeoPackages."""
    own = {
        "Over the pond": LineString([(352, 66), (452, 152)]),
        "Down the skid road": LineString([(40, 234), (150, 211)]),
        "Bottoms run": LineString([(64, 135), (128, 170), (190, 193)]),
    }
    layers = {
        "property": {"name": ["Hollow Creek"], "geometry": [PROPERTY]},
        "road": {"name": ["farm road"], "buffer_m": [6.0], "geometry": [ROAD]},
        "yard": {"name": ["house and yard"], "buffer_m": [10.0], "geometry": [YARD]},
        "own_holes": {"name": list(own), "geometry": list(own.values())},
    }
    # The date GDAL writes into a GeoPackage would make every run differ.
    os.environ["OGR_CURRENT_DATE"] = "2024-03-01T00:00:00Z"
    for name, columns in layers.items():
        frame = gpd.GeoDataFrame(columns, crs=UTM_16N.sub_crs_list[0])
        frame["geometry"] = frame.geometry.translate(LEFT, BOTTOM)
        path = folder / f"{name}.gpkg"
        path.unlink(missing_ok=True)
        frame.to_file(path, layer=name, driver="GPKG", engine="pyogrio")


def write_truth(scenario: Scenario, folder: Path) -> None:
    """What was planted (truth.json) and every tree (trees.npz)."""
    text = json.dumps(scenario.truth, indent=1)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8")
    names, kind = np.unique(scenario.species, return_inverse=True)
    columns = {
        name: np.round(scenario.trees[name], 2).astype("f8" if name in "xy" else "f4")
        for name in TREE.names
        if name != "shape"
    }
    np.savez_compressed(
        folder / "trees.npz", species=kind.astype(np.uint8), species_names=names, **columns
    )


def main() -> None:
    """Write all files of the demo beside this script, or into the folder given."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else HERE
    scenario = hollow_creek()
    points = survey(scenario)
    area = (SURVEYED[2] - SURVEYED[0]) * (SURVEYED[3] - SURVEYED[1])
    first = int((points["return_number"] == 1).sum())
    print(
        f"{len(points['x']):,} points, {first / area:.2f} pulses/m2, {len(scenario.trees):,} trees"
    )
    for tile in write_points(points, folder / "tiles"):
        print(f"{tile.name}: {tile.stat().st_size / 1e6:.2f} MB")
    write_elevation(scenario, folder / "dem" / "hollow_creek_1m.tif")
    write_vectors(folder)
    write_truth(scenario, folder)
    written = (".laz", ".tif", ".npz", ".gpkg", ".json")
    total = sum(p.stat().st_size for p in folder.rglob("*") if p.suffix in written)
    print(f"{total / 1e6:.2f} MB in all; relief {_relief_of(scenario):.1f} m")


def _relief_of(scenario: Scenario) -> float:
    x, y = scenario.land.centres()
    inside = shapely.contains_xy(PROPERTY, x - LEFT, y - BOTTOM)
    return float(np.ptp(scenario.land.ground[inside]))


if __name__ == "__main__":
    main()
