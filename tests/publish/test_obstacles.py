"""A deck over a river is a bridge in the layer, on the page's map and in the legends of paper."""

from dataclasses import replace

import shapely
from shapely import affinity

from lanewright.publish.obstacles import _buildings, bridges
from lanewright.publish.report.mapsheet import map_sheet
from lanewright.publish.report.words import Units
from publish.findings import made
from publish.frames import ORIGIN, UTM

RIVER = shapely.box(150, 0, 190, 400)


def test_only_a_narrow_deck_with_water_along_both_sides_is_a_bridge():
    deck = shapely.box(130, 200, 210, 210)
    for turn in (0, 17, 64):
        turned = affinity.rotate(deck, turn, (170, 205)), affinity.rotate(RIVER, turn, (170, 205))
        assert bridges(*turned)
    assert bridges(deck, RIVER.difference(deck))  # lidar sees no water under it
    upstream = shapely.box(150, 210, 190, 400)
    assert not bridges(deck, upstream)  # a boathouse on the bank
    assert not bridges(shapely.box(140, 200, 200, 240), RIVER)  # a mill
    assert not bridges(affinity.translate(deck, 120), RIVER)


def test_maps_call_it_what_it_is():
    shapes = [shapely.box(20, 20, 40, 32), shapely.box(130, 200, 210, 210)]
    here = [affinity.translate(s, *ORIGIN) for s in (*shapes, RIVER)]
    for built, said in ((here[:1], "Building"), (here[1:2], "Bridge"), (here[:2], "Building or")):
        layer = _buildings(shapely.MultiPolygon(built), here[2], UTM)
        run = made().found
        run = replace(run, layers={**run.layers, "buildings": layer})
        drawn = {d.key: d.title for d in map_sheet(run, [], Units(False)).drawn}
        assert drawn["building"].startswith(said)
        assert run.map_data.built == " or ".join(sorted(set(layer["seems"]), reverse=True))
