"""A small invented land with holes, walks, trim work and a layout, in the layers' own columns."""

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from lanewright.base.grid import Grid
from lanewright.growth.columns import DENSITY_TABLE, LAYERS, Columns
from lanewright.visit.outing import as_published
from publish.frames import ORIGIN, UTM, frame

GRID = Grid(UTM, ORIGIN[0], ORIGIN[1] + 300, 1.0, 300, 400)
LAND = shapely.MultiPolygon([shapely.box(*ORIGIN, ORIGIN[0] + 400, ORIGIN[1] + 300)])
START = (ORIGIN[0] + 200.0, ORIGIN[1] + 20.0)

# Tee, end (m from the origin) of the legs 1 to 5; legs 2 and 3 make one hole with a landing zone.
LEGS = (
    ((60, 40), (60, 120)),
    ((80, 140), (170, 160)),
    ((170, 160), (250, 130)),
    ((300, 140), (300, 60)),
    ((20, 240), (110, 280)),
)
CHAINS = {11: (1,), 12: (2, 3), 13: (4,), 14: (5,)}
ORDER = (11, 12, 13)


def ground_at(x, y):
    """A plane that rises to the north-east, 3 and 5 percent."""
    return 100 + 0.03 * (np.asarray(x) - ORIGIN[0]) + 0.05 * (np.asarray(y) - ORIGIN[1])


def rasters():
    """Ground, canopy, cover and seen share; a wood stands over the middle, unseen in one patch."""
    col, row = np.meshgrid(np.arange(GRID.cols), np.arange(GRID.rows))
    x, y = GRID.xy(row, col)
    wood = np.abs(x - ORIGIN[0] - 200) < 90
    seen = np.full(GRID.shape, 1.0)
    seen[(np.abs(x - ORIGIN[0] - 130) < 12) & wood] = 0.2
    return {
        "ground": ground_at(x, y).astype(np.float32),
        "canopy_height": np.where(wood, 18.0, 0.0).astype(np.float32),
        "canopy_cover": np.where(wood, 0.9, 0.0).astype(np.float32),
        "seen_share": seen.astype(np.float32),
    }


def columns():
    """Brush to 2 m in the wood; everything searched but one patch."""
    made = rasters()
    wood = made["canopy_height"] > 0
    density = np.zeros((*GRID.shape, LAYERS), np.uint8)
    density[wood, :8] = 150
    every = np.uint64(2**64 - 1)
    searched = np.where(made["seen_share"] > 0.5, every, np.uint64(0))
    hit = np.where(wood, np.uint64(0xFF), np.uint64(0))
    return Columns(hit, searched, ~searched, density, DENSITY_TABLE)


def _flight(a, b):
    """Line Z 1.4 m over the ground at the tee, 0.9 m at the end, bent by a tenth."""
    u = np.linspace(0, 1, 33)[:, None]
    a, b = np.array(ORIGIN) + a, np.array(ORIGIN) + b
    side = np.array([-(b - a)[1], (b - a)[0]]) * 0.1
    xy = a + (b - a) * u + side * (4 * u * (1 - u))
    z0, z1 = ground_at(*a) + 1.4, ground_at(*b) + 0.9
    z = z0 + (z1 - z0) * u + 12 * u * (1 - u)
    return shapely.LineString(np.c_[xy, z])


def _site(number, place):
    x, y = np.array(ORIGIN) + place
    return number, shapely.Point(x, y), float(ground_at(x, y))


def layers(level="blue"):
    """Every layer that the field asks for, as published; see `CHAINS` and `ORDER`."""
    tees = [_site(100 + i, leg[0]) for i, leg in enumerate(LEGS, start=1)]
    ends = [_site(200 + i, leg[1]) for i, leg in enumerate(LEGS, start=1)]
    made = {}
    for name, sites in (("tee_sites", tees), ("basket_sites", ends)):
        made[name] = frame(name, len(sites)).set_geometry([s[1] for s in sites], crs=UTM)
        made[name]["site_id"] = [s[0] for s in sites]
        made[name]["ground_m"] = [s[2] for s in sites]
    legs = frame("legs", len(LEGS)).set_geometry([_flight(*leg) for leg in LEGS], crs=UTM)
    sizes = np.array([np.hypot(*np.subtract(*leg)) for leg in LEGS])
    legs = legs.assign(
        leg_id=np.arange(1, len(LEGS) + 1),
        tee_id=[s[0] for s in tees],
        end_id=[s[0] for s in ends],
        level=level,
        length_m=sizes,
        clear_rate=[0.9, 0.6, 0.7, 0.8, 0.5],
        clear_rate_low=[0.85, 0.5, 0.6, 0.7, 0.4],
        clear_rate_high=[0.95, 0.7, 0.8, 0.9, 0.6],
        clear_rate_leaf_on=[0.9, 0.31, 0.4, 0.8, 0.2],
        pinch_width_m=[15.0, 4.5, 6.0, 14.0, 7.0],
        pinch_at_m=[20.0, 45.0, 30.0, 10.0, 50.0],
        lane_kind=["open", "tunnel", "lane", "open", "lane"],
        score=[0.9, 0.6, 0.7, 0.8, 0.5],
        carry_water_m=0.0,
        fail_at_m=[np.nan, 40.0, 30.0, np.nan, np.nan],
        fail_side_m=[np.nan, -2.0, 1.0, np.nan, np.nan],
        fail_height_m=[np.nan, 1.25, 2.0, np.nan, np.nan],
        fail_on=[None, "brush", "limb", None, None],
        landing_long_m=[18.0, 16.0, np.nan, 20.0, 20.0],
        landing_wide_m=[8.0, 7.0, np.nan, 8.0, 8.0],
        landing_bearing_deg=[0.0, 77.0, np.nan, 0.0, 60.0],
        landing_past_m=[2.0, 3.0, np.nan, 1.0, 0.0],
    )
    made["legs"] = legs
    holes = frame("holes", len(CHAINS))
    shapes, lengths = [], []
    for chain in CHAINS.values():
        points = np.concatenate([shapely.get_coordinates(legs.geometry[i - 1], include_z=True)
                                 for i in chain])  # fmt: skip
        shapes.append(shapely.LineString(points))
        lengths.append(sum(sizes[i - 1] for i in chain))
    holes = holes.set_geometry(shapes, crs=UTM).assign(
        hole_id=list(CHAINS),
        legs=[" ".join(map(str, chain)) for chain in CHAINS.values()],
        length_m=lengths,
        score=[0.9, 0.65, 0.8, 0.5],
        name=None,
        sentence="A hole in a sentence.",
        level=level,
    )
    made["holes"] = holes
    layout = frame("layout_holes", 5)
    picked = [*ORDER, 14, 11]
    row_of = holes.set_index("hole_id")
    layout = layout.set_geometry([row_of.geometry[h] for h in picked], crs=UTM).assign(
        proposal=[1, 1, 1, 2, 2],
        play_order=[1, 2, 3, 1, 2],
        hole_id=picked,
        length_m=[row_of["length_m"][h] for h in picked],
        level=level,
        name=None,
        sentence="A hole in a sentence.",
        clear_rate=[0.9, 0.6, 0.5, 0.6, 0.9],
        trim_hours_low=[0.0, 0.75, 0.0, np.nan, 0.0],
        trim_hours_high=[0.0, 1.5, 0.0, np.nan, 0.0],
    )
    made["layout_holes"] = layout
    made["layout_walks"] = _walks()
    made["trim_work"] = _trim()
    made["water"] = _area("water", [(310, 40, 330, 60)], area_m2=[400.0], source=["class 9"])
    made["wet_ground"] = _area(
        "wet_ground", [(50, 110, 80, 130), (240, 100, 250, 110)],
        evidence=["near drainage", "ponding"], certainty=["possible", "likely"],
        depth_to_water_m=[0.6, np.nan], ponding_m=[np.nan, 0.4], area_m2=[600.0, 100.0],
    )  # fmt: skip
    drains = frame("drainage", 1).set_geometry(
        [shapely.affinity.translate(shapely.LineString([(275, 0), (275, 300)]), *ORIGIN)], crs=UTM
    )
    made["drainage"] = drains.assign(upslope_ha=[4.0])
    made["cautions"] = _area(
        "cautions", [(0, 0, 400, 300), (285, 0, 295, 300)],
        caution=["desk study only", "possible wire"],
        why=["Walk every line.", "A row of returns hangs here."], source=["ours", "ours"],
    )  # fmt: skip
    made["property"] = frame("property", 1).set_geometry([LAND], crs=UTM)
    return {name: as_published(name, layer) for name, layer in made.items()}


def _walks():
    spots = [START, (60, 40), (60, 120), (80, 140), (250, 130), (300, 140), (300, 60), START]
    places = [p if p is START else tuple(np.array(ORIGIN) + p) for p in spots]
    pairs = [(places[i], places[i + 1]) for i in (0, 2, 4, 6)]
    lines = [
        shapely.LineString([(*a, float(ground_at(*a))), (*b, float(ground_at(*b)))])
        for a, b in pairs
    ]
    return frame("layout_walks", 4).set_geometry(lines, crs=UTM).assign(
        proposal=1,
        from_order=[0, 1, 2, 3],
        to_order=[1, 2, 3, 0],
        length_m=[line.length for line in lines],
        crosses=[None, None, "1", None],
        mark=[None, None, "a bridge", None],
    )  # fmt: skip


def _trim():
    boxes = [(118, 146, 122, 150), (126, 150, 129, 153), (126, 150, 129, 153), (210, 140, 213, 143)]
    rows = _area("trim_work", boxes)
    return rows.assign(
        work_id=[1, 2, 3, 4],
        piece_id=[1, 2, 2, 3],
        leg_id=[2, 2, 3, 3],
        chosen=[True, True, True, False],
        low_m=[0.5, 2.4, 2.4, 1.0],
        high_m=[2.4, 4.0, 4.0, 3.0],
        along_m=[40.0, 47.0, 0.0, 42.0],
        walk_order=pd.array([2, 1, 1, None], dtype="Int64"),
        hours_low=[0.5, 0.25, 0.25, 1.0],
        hours_high=[1.0, 0.5, 0.5, 2.0],
        work=[
            "Cut brush by hand",
            "Take limbs of tree 1654 with a pole saw",
            "Take limbs",
            "Fell <i>it</i> &",
        ],
        flag=[None, "thorns", "thorns", None],
    )


def _area(name, boxes, **columns):
    shapes = [
        shapely.MultiPolygon([shapely.affinity.translate(shapely.box(*b), *ORIGIN)]) for b in boxes
    ]
    made = frame(name, len(boxes)).set_geometry(shapes, crs=UTM)
    return made.assign(**columns)


def without(layers, *names):
    """The same layers but for some, as from a run that stops short of them."""
    return {name: layer for name, layer in layers.items() if name not in names}


def concat(*frames):
    return gpd.GeoDataFrame(pd.concat(frames, ignore_index=True), crs=frames[0].crs)
