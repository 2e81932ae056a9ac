"""What catalogues of three types offer, in what order, and what is left out.

Shapes of answers: STAC 1.0 with its API, pointcloud and projection extensions; the national access
API as a published client reads it (methods handbook, section 1.5); GeoJSON (RFC 7946).
"""

import datetime as dt
from pathlib import Path

import geopandas as gpd
import pytest
import shapely
import yaml

from fetch import test_get as helpers
from lanewright.base.errors import InputError
from lanewright.fetch.address import Trust
from lanewright.fetch.catalogue import Place, in_degrees, offers_of, search
from lanewright.fetch.client import Client, Manners
from lanewright.fetch.products import Product, turned_box
from lanewright.fetch.season import guess_leaves
from lanewright.fetch.sources import load_sources
from lanewright.fetch.stac import signed
from lanewright.fetch.store import Pages

call, item, sources, site = helpers.call, helpers.item, helpers.sources, helpers.site
_alone = helpers._alone
HERE = shapely.box(-84.001, 38.0, -83.999, 38.002)
AROUND = shapely.box(-84.1, 37.9, -83.9, 38.1)
QUICK = Manners(attempts=2, pause=0.01, longest_pause=0.02, timeout=2.0)


def asked(tmp_path, site, land=HERE, **source):
    """Offers and notes of one source."""
    path = sources(tmp_path, site, **source)
    return search(load_sources(path), Place(land), 50.0, Pages(tmp_path / "pages"), QUICK)


def data(name="a.copc.laz"):
    return {"data": {"href": f"https://tiles.example/{name}", "roles": ["data"]}}


def titles(offers):
    return sorted(p.title for o in offers for p in o.products)


def test_an_api_is_asked_page_by_page_with_box_and_collections(tmp_path, site):
    site.put("/", {"type": "Catalog", "links": [{"rel": "search", "href": "./search"}]})
    queries = []

    def page(query):
        queries.append(query)
        at = int(query.get("page", ["0"])[0])
        more = [{"rel": "next", "href": f"./search?page={at + 1}"}] if at < 2 else []
        one = item(f"i{at}", AROUND, data(f"{at}.copc.laz"))
        return {"type": "FeatureCollection", "features": [one], "links": more}

    site.pages["/search"] = page
    offers, notes = asked(tmp_path, site, url=f"{site.url}/", collections=["survey"])
    assert titles(offers) == ["i0", "i1", "i2"]
    assert notes == []
    west, south, east, _north = map(float, queries[0]["bbox"][0].split(","))
    assert west < -84.001 < -83.999 < east
    assert 38.0 - south == pytest.approx(50 / 111_195, rel=0.01)
    assert queries[0]["collections"] == ["survey"]
    before = len(site.requests)
    asked(tmp_path, site, url=f"{site.url}/", collections=["survey"])
    assert len(site.requests) == before  # pages were kept


def test_pages_that_lead_to_each_other_end(tmp_path, site):
    site.put("/", {"type": "Catalog", "links": [{"rel": "search", "href": "./search"}]})
    site.pages["/search"] = lambda q: {
        "features": [item("a", AROUND, data())],
        "links": [{"rel": "next", "href": "./search"}],
    }
    assert titles(asked(tmp_path, site, url=f"{site.url}/")[0]) == ["a"]
    assert len(site.asked("/search")) == 2


def test_a_static_catalogue_is_walked_where_it_can_hold_something(tmp_path, site):
    far = {"extent": {"spatial": {"bbox": [[10, 40, 11, 41]]}}}
    helpers.catalogue(site, [item("a", AROUND, data())])
    root = {"type": "Catalog", "links": [{"rel": "child", "href": f"{n}/collection.json"}
                                         for n in ("c", "far")]}  # fmt: skip
    site.put("/catalog.json", root)
    site.put("/far/collection.json", {"type": "Collection", "id": "far", **far,
             "links": [{"rel": "item", "href": "never.json"}]})  # fmt: skip
    assert titles(asked(tmp_path, site)[0]) == ["a"]
    assert not site.asked("/far/never.json")


def test_items_without_a_place_or_usable_file_are_left_out(tmp_path, site):
    no_box = item("nowhere", None, data())
    bow = shapely.Polygon([(-85, 37), (-83, 39), (-83, 37), (-85, 39)])
    broken = item("bow", bow, data("b.copc.laz")) | {"bbox": ["x", 1, 2, 3]}
    odd = item("odd", AROUND, {"thumb": {"href": "https://tiles.example/a.png"}, "bad": 7})
    boxed = item("boxed", AROUND, data("c.copc.laz")) | {"geometry": None}
    site.put(
        "/items.json", {"type": "FeatureCollection", "features": [no_box, broken, odd, boxed, 7]}
    )
    offers, notes = asked(tmp_path, site, url=f"{site.url}/items.json")
    assert titles(offers) == ["boxed"]
    assert notes == ["ours: 2 items without a place were left out"]


@pytest.mark.parametrize("east", [False, True])
def test_a_property_across_the_antimeridian(tmp_path, site, east):
    """Taveuni lies across 180 degrees; boxes of items are written both ways RFC 7946 allows."""
    land = shapely.box(179.98, -16.83, 180.02, -16.80)
    split = shapely.MultiPolygon(
        [shapely.box(179.9, -17, 180, -16), shapely.box(-180, -17, -179.9, -16)]
    )
    turned = item("turned", None, data("t.copc.laz")) | {"bbox": [179.9, -17.0, -179.9, -16.0]}
    one_side = item("west", shapely.box(-180, -17, -179.9, -16), data("w.copc.laz"))
    other = item("other", shapely.box(-0.02, -17, 0.02, -16), data("o.copc.laz"))
    both = item("split", split, data("s.copc.laz"))
    site.put("/items.json", {"features": [both, turned, one_side,
                                          other]})  # fmt: skip
    place = shapely.affinity.translate(land, -360) if east else land
    offers, _ = asked(tmp_path, site, land=place, url=f"{site.url}/items.json")
    assert titles(offers) == ["split", "turned", "west"]
    assert offers[0].share == pytest.approx(1.0)
    boxes = Place(place).boxes(50.0)
    assert len(boxes) == 2
    assert all(w < e for w, _s, e, _n in boxes)


def test_a_boundary_in_a_projected_crs_across_the_antimeridian(tmp_path):
    """Fiji's own grid (EPSG:3460) runs across 180 degrees without a break."""
    frame = gpd.GeoDataFrame(
        geometry=[shapely.box(2_131_000, 4_010_000, 2_136_000, 4_014_000)], crs=3460
    )
    land = in_degrees(tmp_path, frame)
    west, _s, east, _n = land.bounds
    assert west < 180 < east
    assert east - west < 0.1


def test_a_boundary_the_size_of_a_country_is_refused(tmp_path):
    frame = gpd.GeoDataFrame(geometry=[shapely.box(-90, 30, -80, 40)], crs=4326)
    with pytest.raises(InputError, match="no property"):
        in_degrees(tmp_path, frame)


# The national access API ------------------------------------------------------------------------


def national(name, project="KY_2019", **more):
    base = "https://rockyweb.example/StagedProducts/Elevation/LPC/Projects"
    return {"title": f"Lidar Point Cloud {name}", "sourceId": name, "sizeInBytes": 1_000_000,
            "downloadURL": f"{base}/{project}/LAZ/{name}.laz", "publicationDate": "2020-05-06",
            "boundingBox": {"minX": -84.1, "maxX": -83.9, "minY": 37.9, "maxY": 38.1},
            **more}  # fmt: skip


NATIONAL = {"type": "national", "dataset": "Lidar Point Cloud (LPC)"}


def test_the_national_api_is_asked_until_all_is_there(tmp_path, site):
    items = [national(f"t{n}", "KY_2012" if n < 90 else "KY_2019") for n in range(130)]
    items[5] |= {"boundingBox": None}
    queries = []

    def page(query):
        queries.append(query)
        at = int(query["offset"][0])
        return {"total": 130, "items": items[at : at + int(query["max"][0])]}

    site.pages["/api"] = page
    offers, notes = asked(tmp_path, site, **NATIONAL, url=f"{site.url}/api")
    assert {o.first.project: len(o.products) for o in offers} == {"KY_2012": 89, "KY_2019": 40}
    assert len(queries) == 2
    assert queries[0]["datasets"] == ["Lidar Point Cloud (LPC)"]
    assert queries[0]["prodFormats"] == ["LAZ"]
    assert offers[0].first.published == dt.date(2020, 5, 6)
    assert "1 items" in notes[0]


def test_a_data_set_refused_by_name_is_asked_for_by_words(tmp_path, site):
    """Seen at the real API: a good answer that holds an error."""
    site.pages["/api"] = lambda q: (
        {"errorMessage": "All dataset queries failed"} if "datasets" in q
        else {"total": 1, "items": [national("t")]}
    )  # fmt: skip
    assert len(titles(asked(tmp_path, site, **NATIONAL, url=f"{site.url}/api")[0])) == 1
    site.pages["/api"] = lambda q: {"errorMessage": "down"}
    with pytest.raises(InputError, match="refuses the question"):
        asked(tmp_path / "..", site, **NATIONAL, url=f"{site.url}/api")


# Indexes -----------------------------------------------------------------------------------------


def test_an_index_makes_addresses_from_its_columns(tmp_path):
    """A shapefile in feet on the disk, as states publish; no server is asked."""
    frame = gpd.GeoDataFrame(
        {"TILE": ["N1E5", "N9E9"], "YEAR": [2021, 2021], "FLOWN": ["2021-03-04", "2021-03-05"]},
        geometry=[AROUND, shapely.box(-80, 30, -79.9, 30.1)], crs=4326,
    ).to_crs(2246)  # fmt: skip
    frame.to_file(tmp_path / "index.shp")
    ours = {"type": "index", "index": "index.shp", "project": "YEAR", "date": "FLOWN",
            "address": "https://lidar.example/{YEAR}/{TILE}.laz", "density": 8}  # fmt: skip
    (tmp_path / "sources.yaml").write_text(yaml.safe_dump({"sources": {"state": ours}}))
    found = load_sources(tmp_path / "sources.yaml")
    offers, _ = search(found, Place(HERE), 50.0, Pages(tmp_path / "pages"), QUICK)
    (product,) = offers[0].products
    assert product.url == "https://lidar.example/2021/N1E5.laz"
    assert product.project == "2021"
    assert product.flown == (dt.date(2021, 3, 4), dt.date(2021, 3, 4))
    ours["address"] = "https://lidar.example/{SHEET}.laz"
    (tmp_path / "sources.yaml").write_text(yaml.safe_dump({"sources": {"state": ours}}))
    with pytest.raises(InputError, match="has no column SHEET"):
        search(load_sources(tmp_path / "sources.yaml"), Place(HERE), 50.0, Pages(tmp_path), QUICK)


def test_an_index_on_a_server_is_asked_for_the_box(tmp_path, site):
    queries = []

    def answer(query):
        queries.append(query)
        return {"type": "FeatureCollection", "features": [
            {"type": "Feature", "properties": {"url": "https://tiles.example/LHD_1.copc.laz"},
             "geometry": shapely.geometry.mapping(AROUND)}]}  # fmt: skip

    site.pages["/wfs"] = answer
    path = tmp_path / "sources.yaml"
    index = f"{site.url}/wfs?bbox={{west}},{{south}},{{east}},{{north}}"
    source = {"type": "index", "index": index,
              "address": "{url}", "http": True, "local": True}  # fmt: skip
    path.write_text(yaml.safe_dump({"sources": {"fr": source}}))
    offers, _ = search(load_sources(path), Place(HERE), 50.0, Pages(tmp_path / "pages"), QUICK)
    assert offers[0].first.form == "copc"
    assert float(queries[0]["bbox"][0].split(",")[0]) < -84.001


# Order, text, faults ------------------------------------------------------------------------------


def product(project, year=None, density=None, west=-84.1, form="laz", kind="points"):
    flown = (dt.date(year, 3, 1), dt.date(year, 3, 9)) if year else None
    return Product("s", kind, form, project, project, f"https://t.example/{project}{west}.laz",
                   shapely.box(west, 37.9, -83.9, 38.1), flown=flown, density=density)  # fmt: skip


def test_whole_cover_comes_first_then_the_newest_then_the_densest():
    half = product("half-2024", 2024, 20.0, west=-84.0)
    given = [product("old", 2010, 30.0), half, product("new-thin", 2023, 2.0),
             product("new-dense", 2023, 12.0), product("undated"),
             product("dem", 2024, kind="elevation", form="tif")]  # fmt: skip
    order = [o.first.project for o in offers_of(given, Place(HERE))]
    assert order == ["new-dense", "new-thin", "old", "undated", "half-2024", "dem"]
    shares = {o.first.project: o.share for o in offers_of(given, Place(HERE))}
    assert shares["half-2024"] == pytest.approx(0.5)


def test_surveys_of_two_years_are_never_one_offer():
    given = [product("a", 2012, west=-84.1), product("b", 2019, west=-84.1)]
    assert len(offers_of(given, Place(HERE))) == 2


@pytest.mark.parametrize(
    ("first", "last", "latitude", "state"),
    [
        # Dates and states of real flights: summer 2023 in Oregon (metadata of PDAL's autzen data);
        # the others are common knowledge of foresters, `common practice, no source`.
        ("2023-07-21", "2023-07-22", 44.0, "on"),
        ("2021-02-01", "2021-03-15", 44.0, "off"),
        ("2021-02-01", "2021-07-15", 44.0, "unknown"),
        ("2021-01-10", "2021-01-20", -43.5, "on"),
        ("2021-07-10", "2021-07-20", -43.5, "off"),
        ("2021-01-10", "2021-01-20", 10.0, "unknown"),
        ("2021-04-27", "2021-04-28", 40.0, "unknown"),
    ],
)
def test_leaves_are_guessed_by_date_and_latitude(first, last, latitude, state):
    span = dt.date.fromisoformat(first), dt.date.fromisoformat(last)
    assert guess_leaves(span, latitude) == state
    assert guess_leaves(None, latitude) == "unknown"


def test_find_lists_what_a_designer_must_know(tmp_path, site):
    catalogued = {"proj:code": "EPSG:2154+5720", "pc:density": 11.0, "license": "CC-BY-4.0",
            "start_datetime": "2021-02-01T00:00:00Z",
            "end_datetime": "2021-02-09T00:00:00Z"}  # fmt: skip
    assets = {"data": data()["data"] | {"file:size": 123_456_789}}
    helpers.catalogue(site, [item("a", AROUND, assets, **catalogued), item("gone", AROUND, assets)])
    site.put("/c/a.json", item("a", AROUND, assets, **catalogued) | {"id": "a\x1b[31m"})
    del site.files["/c/gone.json"]
    done = call(
        "find", helpers.boundary(tmp_path, HERE, 4326), "--sources", sources(tmp_path, site)
    )
    assert done.exit_code == 0, done.output
    for said in ("flown 2021-02-01 to 2021-02-09", "11 per m2 as stated", "a guess by date and",
                 "123.5 MB", "covers 100% of the property", "CC-BY-4.0", "metre",
                 "COPC"):  # fmt: skip
        assert said in done.output, said
    assert "\x1b" not in done.output
    assert "1 pages of the catalogue could not be read" in done.output


@pytest.mark.parametrize("page", [b"<html>sorry", b"[]", b"{" * 100_000, b""])
def test_a_catalogue_that_is_none_is_named(tmp_path, site, page):
    site.files["/catalog.json"] = page
    done = call(
        "find", helpers.boundary(tmp_path, HERE, 4326), "--sources", sources(tmp_path, site)
    )
    assert done.exit_code == 2
    assert "ours could not be asked" in done.output
    assert "Traceback" not in done.output


def test_a_signing_service_may_only_sign_what_it_was_given(tmp_path, site):
    source = load_sources(sources(tmp_path, site, sign=f"{site.url}/sign?href={{href}}"))["ours"]
    asking = Client(Trust(plain=True, local=True), QUICK)
    site.pages["/sign"] = lambda q: {"href": q["href"][0] + "?sig=1"}
    assert signed(asking, source, "https://t.example/a b") == "https://t.example/a b?sig=1"
    site.pages["/sign"] = lambda q: {"href": "https://elsewhere.example/x"}
    with pytest.raises(InputError, match="signs another"):
        signed(asking, source, "https://t.example/a")


def test_our_sources_can_be_read_and_are_the_ones_shown(tmp_path):
    ours = load_sources(None)
    assert {s.type for s in ours.values()} == {"stac", "national", "index"}
    assert all(not s.http and not s.local for s in ours.values())
    shown = Path(__file__).parents[2] / "configs" / "sources.yaml"
    assert load_sources(shown) == ours
    (tmp_path / "s.yaml").write_text("sources: {a: {type: stac, url: 7}, b: {type: ftp}}")
    with pytest.raises(InputError, match=r"source a.*\n*.*url[\s\S]*source b is of no type"):
        load_sources(tmp_path / "s.yaml")


def test_boxes_of_catalogues_that_make_no_sense_are_none():
    assert turned_box(0, 10, 1, 5) is None
    assert turned_box(float("nan"), 0, 1, 1) is None
    assert turned_box(0, 0, 900, 1) is None
    assert turned_box(170, 0, -170, 1).bounds == (170, 0, 190, 1)
