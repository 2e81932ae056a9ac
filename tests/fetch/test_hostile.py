"""Answers as a broken or hostile server may give them: each ends in one message, or is left out."""

import json
import re

import pytest
import shapely

import fetch_server as web
from fetch import test_catalogue as helpers
from fetch import test_get as getting
from lanewright.base.errors import InputError
from lanewright.fetch.address import Trust, joined_url
from lanewright.fetch.catalogue import describe, offers_of
from lanewright.fetch.client import Client, Manners
from lanewright.fetch.ept import nodes_within, tree_of
from lanewright.fetch.products import Place, Product, turned_box, whole
from lanewright.fetch.stac import signed

_alone, site = helpers._alone, helpers.site
item, data, AROUND, HERE = helpers.item, helpers.data, helpers.AROUND, helpers.HERE
LOCAL = Trust(plain=True, local=True)
QUICK = Manners(attempts=2, pause=0.01, longest_pause=0.02, timeout=2.0)

HUGE = 10**400
"""A whole number that JSON can write and no float can hold."""


def clean(done):
    """The command ended with one message."""
    assert done.exit_code == 2, done.output
    assert "Traceback" not in done.output
    assert "a bug in" not in done.output
    return done.output


@pytest.mark.parametrize("said", ["\u00b2", "1e3", "-5", "9" * 30, "0x10", "1_0", " "])
def test_headers_with_numbers_that_are_none(site, said):
    """Signs that count as digits for Python but are no number, and numbers of absurd length."""

    def answer(handler):
        handler.send_response(200)
        handler.send_header("Content-Length", said)
        handler.send_header("Connection", "close")
        handler.end_headers()
        handler.wfile.write(b"x" * 100)
        handler.close_connection = True

    site.faults["/a"] = [web.status(503, Retry_After=said), answer]
    try:
        assert set(Client(LOCAL, QUICK).fetch(f"{site.url}/a", 1000)) <= set(b"x")
    except InputError as fault:
        assert re.search("cannot be had|longer than", fault.problem)


@pytest.mark.parametrize("said", ["\u00b2", "12\u0663", "12" * 12, "1.5", "-4", ""])
def test_sizes_of_catalogues_that_are_none(said):
    assert whole(said) in (None, 123)
    assert whole("\u0661\u0662\u0663") in (None, 123)


@pytest.mark.parametrize(
    "href",
    ["http://[", "https://[::1", "//[x]/a.copc.laz", "https://a.example/\ud800.copc.laz",
     "\udfff.copc.laz", "https://a.example:port/a.copc.laz"],
)  # fmt: skip
def test_links_that_cannot_be_split_cost_one_item_at_most(tmp_path, site, href):
    good, bad = item("good", AROUND, data()), item("bad", AROUND, {"d": {"href": href}})
    helpers.helpers.catalogue(site, [good])
    page = json.loads(site.files["/c/collection.json"])
    page["links"].append({"rel": "item", "href": href})
    site.put("/c/collection.json", page)
    site.put("/c/bad.json", bad)
    page["links"].append({"rel": "item", "href": "bad.json"})
    site.put("/c/collection.json", page)
    offers, _notes = helpers.asked(tmp_path, site)
    assert "good" in helpers.titles(offers)
    done = helpers.call(
        "get", helpers.helpers.boundary(tmp_path, HERE, 4326), "--into", tmp_path / "got",
        "--sources", helpers.sources(tmp_path, site), "--only", "ours",
    )  # fmt: skip
    clean(done)


def test_a_redirect_that_cannot_be_split_is_one_message(site):
    site.faults["/a"] = [web.redirect("http://[::1/x")]
    with pytest.raises(InputError, match="no address that can be asked"):
        Client(LOCAL, QUICK).fetch(f"{site.url}/a", 1000)
    with pytest.raises(InputError, match="no address"):
        joined_url("https://a.example/", "https://a.example/\ud800")


def test_numbers_beyond_any_float_leave_the_item_out(tmp_path, site):
    flat = {"type": "Polygon", "coordinates": [[[HUGE, 0], [1, 1], [0, 1], [HUGE, 0]]]}
    odd = item("odd", AROUND, data()) | {"geometry": flat, "bbox": [-HUGE, 0, HUGE, 1]}
    crs = item("crs", AROUND, data("c.copc.laz"), **{"proj:epsg": HUGE, "pc:density": HUGE})
    site.put("/items.json", {"features": [odd, crs]})
    offers, notes = helpers.asked(tmp_path, site, url=f"{site.url}/items.json")
    assert helpers.titles(offers) == ["crs"]
    assert notes == ["ours: 1 items without a place were left out"]
    assert turned_box(-HUGE, 0, HUGE, 1) is None


def test_numbers_beyond_any_float_in_the_national_answer(tmp_path, site):
    box = {"minX": HUGE, "maxX": HUGE, "minY": 37.9, "maxY": 38.1}
    site.pages["/api"] = lambda q: {
        "total": HUGE,
        "items": [] if q["offset"] != ["0"] else [
            helpers.national("bad", boundingBox=box), helpers.national("t", sizeInBytes=HUGE)],
    }  # fmt: skip
    offers, notes = helpers.asked(tmp_path, site, **helpers.NATIONAL, url=f"{site.url}/api")
    assert len(helpers.titles(offers)) == 1
    assert "1 items without a place" in notes[0]


def test_the_national_api_is_asked_on_where_it_states_no_total(tmp_path, site):
    """A full page is followed by another question, whatever the total says."""
    items = [helpers.national(f"t{n}") for n in range(130)]
    for total in ({}, {"total": 0}, {"total": "130"}, {"total": 7}):
        site.pages["/api"] = lambda q, total=total: {
            **total, "items": items[int(q["offset"][0]) : int(q["offset"][0]) + 100]
        }  # fmt: skip
        folder = tmp_path / f"p{len(str(total))}"
        folder.mkdir(exist_ok=True)
        offers, _ = helpers.asked(folder, site, **helpers.NATIONAL, url=f"{site.url}/api")
        assert len(offers[0].products) == 130


def test_an_answer_that_reports_an_error_is_not_kept(tmp_path, site):
    """The next question of the day must reach the server again."""
    source = {**helpers.NATIONAL, "url": f"{site.url}/api"}
    site.pages["/api"] = lambda q: {"errorMessage": "down"}
    with pytest.raises(InputError, match="refuses the question"):
        helpers.asked(tmp_path, site, **source)
    site.pages["/api"] = lambda q: {"total": 1, "items": [helpers.national("t")]}
    assert helpers.titles(helpers.asked(tmp_path, site, **source)[0])


def test_an_index_that_cannot_be_read_is_not_kept(tmp_path, site):
    feature = {"type": "Feature", "properties": {"url": "https://tiles.example/1.copc.laz"},
               "geometry": shapely.geometry.mapping(AROUND)}  # fmt: skip
    source = {"type": "index", "index": f"{site.url}/wfs?b={{west}}", "address": "{url}"}
    answers = [{"exception": "busy"}, {"type": "FeatureCollection", "features": [feature]}]
    site.pages["/wfs"] = lambda _q: answers[0] if len(answers) == 2 else answers[-1]
    path = tmp_path / "index.yaml"
    ours = source | {"http": True, "local": True}
    path.write_text(json.dumps({"sources": {"fr": ours}}))
    place = helpers.helpers.boundary(tmp_path, HERE, 4326)
    assert "could not be asked" in clean(helpers.call("find", place, "--sources", path))
    answers.pop(0)
    done = helpers.call("find", place, "--sources", path)
    assert done.exit_code == 0, done.output
    assert "covers 100%" in done.output


@pytest.mark.parametrize("page", [b"", b"\xff\xfe", b"[1]", b"7", b'{"href": 7}', b"{" * 10**5])
def test_a_signing_service_that_answers_nonsense(tmp_path, site, page):
    given = helpers.sources(tmp_path, site, sign=f"{site.url}/sign?href={{href}}")
    source = helpers.load_sources(given)["ours"]
    site.files["/sign"] = page
    with pytest.raises(InputError, match="signs"):
        signed(Client(LOCAL, QUICK), source, "https://t.example/a")


@pytest.mark.parametrize(
    "change",
    [{"bounds": [HUGE, 0, 0, HUGE, 1, 1]}, {"bounds": None}, {"bounds": ["1", 2]}, {"points": HUGE},
     {"points": "many"}, {"points": -1}, {"srs": {"wkt": 7}}, {"srs": {"horizontal": [[]]}},
     {"srs": {"wkt": "PROJCS[" * 2000}}],
)  # fmt: skip
def test_a_tree_that_makes_no_sense(site, change):
    """Refused, or read without what makes no sense."""
    cube = {"bounds": [0, 0, 0, 1, 1, 1], "dataType": "laszip", "points": 5,
            "srs": {"authority": "EPSG", "horizontal": "3857"}}  # fmt: skip
    site.put("/ept.json", cube | change)
    try:
        tree = tree_of(Client(LOCAL, QUICK), f"{site.url}/ept.json")
    except InputError as fault:
        assert "no cube" in fault.problem
        return
    assert tree.points in (0, 5)


@pytest.mark.parametrize("key", ["\u0660-0-0-0", "0-0-0-0\n", "1-2-3", "99999-0-0-0", "../x"])
def test_keys_of_a_tree_that_are_none(site, key):
    cube = {"bounds": [0, 0, 0, 1, 1, 1], "dataType": "laszip", "points": 5,
            "srs": {"authority": "EPSG", "horizontal": "3857"}}  # fmt: skip
    site.put("/ept.json", cube)
    site.put("/ept-hierarchy/0-0-0-0.json", {key: 5})
    asking = Client(LOCAL, QUICK)
    with pytest.raises(InputError, match="damaged hierarchy"):
        nodes_within(asking, tree_of(asking, f"{site.url}/ept.json"), (0, 0, 1, 1))


# Long lists ------------------------------------------------------------------------------------


def test_find_lists_every_offer_with_its_key(tmp_path, site):
    """Thirty surveys are 150 lines; a message of a fault may have forty."""
    items = [helpers.national(f"t{n}", f"KY_{1990 + n}") for n in range(30)]
    site.pages["/api"] = lambda q: {"total": 30, "items": items if q["offset"] == ["0"] else []}
    ours = {**helpers.NATIONAL, "url": f"{site.url}/api", "http": True, "local": True}
    path = tmp_path / "sources.yaml"
    path.write_text(json.dumps({"sources": {"ours": ours}}))
    done = helpers.call("find", getting.boundary(tmp_path, HERE, 4326), "--sources", path)
    assert done.exit_code == 0, done.output
    for n in range(30):
        assert f"--take points/ours/KY_{1990 + n}/laz" in done.output


def test_a_list_beyond_a_hundred_says_how_many_more():
    given = [Product("s", "points", "laz", f"p {n}", "", f"https://t.example/{n}.laz",
                     shapely.box(-84.1, 37.9, -83.9, 38.1)) for n in range(130)]  # fmt: skip
    text = describe(offers_of(given, Place(HERE)), Place(HERE))
    assert text.count("--take 'points/s/p ") == 100
    assert "and 30 more" in text
