"""The demo property end to end, held against what was planted in it (sample_tiles/truth.json)."""

import json
import re
import shutil
import subprocess
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from rio_cogeo import cog_validate
from shapely import LineString, Polygon

from lanewright import open_run
from lanewright.base import schema
from lanewright.finished.stored import stored_results
from lanewright.layout.checklines import Check
from lanewright.layout.roundtees import _fit
from publish.browser import browsing, opened

ROOT = Path(__file__).resolve().parents[2]
TRUTH = json.loads((ROOT / "sample_tiles" / "truth.json").read_text())

CONTRACT = [
    "leg_id", "tee_id", "end_id", "level", "finish", "length_m", "length_ft", "rise_m",
    "effective_length_m", "apex_m", "clear_rate", "clear_rate_se", "clear_rate_low",
    "clear_rate_high", "clear_rate_leaf_on", "pinch_width_m", "pinch_at_m", "lane_kind",
    "roof_share", "grade_pct", "side_slope_pct", "tee_slope_pct", "landing_slope_pct", "wet_share",
    "carry_water_m", "seen_share", "score", "score_clearance", "score_grade", "score_drainage",
]  # fmt: skip


@pytest.fixture(scope="module")
def out(demo) -> Path:
    return demo


def layer(out: Path, name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(out / "scout.gpkg", layer=name)


def test_everything_promised_is_there(out):
    names = set(gpd.list_layers(out / "scout.gpkg")["name"])
    assert {"property", "tee_sites", "basket_sites", "legs", "lanes", "openings", "trees", "water",
            "wet_ground", "drainage", "cautions"} <= names  # fmt: skip
    for name in ("ground", "slope", "canopy_height", "free_width", "canopy_cover", "brush_density",
                 "wetness", "ponding", "seen_share"):  # fmt: skip
        path = out / "rasters" / f"{name}.tif"
        valid, errors, warnings = cog_validate(path, strict=True)
        assert valid, (name, errors, warnings)
        with rasterio.open(path) as source:
            assert source.nodata is not None
            assert source.units[0] == schema.RASTERS[name].unit
            assert source.statistics(1).max is not None
    assert (out / "summary.json").exists()
    assert (out / "run.log").exists()
    assert list(layer(out, "legs").columns)[: len(CONTRACT)] == CONTRACT


def test_legs_stay_on_the_land_and_out_of_keep_outs(out):
    legs = layer(out, "legs")
    legs = legs[legs["origin"] == "search"]
    land = layer(out, "property").geometry.union_all()
    assert len(legs) > 500
    assert legs.geometry.force_2d().within(land).all()
    for name, buffer in (("road", 6.0), ("yard", 10.0)):
        kept_out = gpd.read_file(ROOT / "sample_tiles" / f"{name}.gpkg").to_crs(legs.crs)
        area = kept_out.geometry.buffer(buffer - 0.5).union_all()
        assert not legs.geometry.force_2d().intersects(area).any()
    assert set(legs["finish"]) == {"straight", "left", "right"}
    assert {"open", "lane", "tunnel"} <= set(legs["lane_kind"])
    assert set(legs["level"]) == {"blue", "red"}


def test_scores_are_shares_and_the_band_holds_the_rate(out):
    legs = layer(out, "legs")
    for name in ("score", "score_clearance", "score_grade", "score_drainage", "clear_rate"):
        assert legs[name].between(0, 1).all()
    assert (legs["clear_rate_low"] <= legs["clear_rate"] + 1e-9).all()
    assert (legs["clear_rate"] <= legs["clear_rate_high"] + 1e-9).all()
    feet = legs["length_m"] / 0.3048
    assert (np.abs(feet - legs["length_ft"]) <= 1).all()


def test_planted_tunnels_are_found_where_no_canopy_map_shows_them(out):
    lanes = layer(out, "lanes")
    tunnels = lanes[lanes["kind"] == "tunnel"].geometry.buffer(3.0).union_all()
    with rasterio.open(out / "rasters" / "canopy_height.tif") as source:
        canopy = source.read(1, masked=True)
        transform = ~source.transform
    for name, planted in TRUTH["tunnels"].items():
        line = LineString(planted["line"])
        found = line.intersection(tunnels).length / line.length
        # Under the ironwoods few pulses come down, and one of its pieces is shorter than a lane.
        least = 0.7 if name == "ironwood" else 0.9
        assert found > least, f"{name}: {found:.0%} found"
        steps = [line.interpolate(d) for d in np.arange(1.0, line.length, 1.0)]
        cells = [transform @ (p.x, p.y) for p in steps]
        over = np.array([canopy[int(r), int(c)] for c, r in cells], float)
        assert np.mean(over > planted["roof_m"] - 1) > 0.8  # roofed, seen from above


def test_thicket_gap_is_no_lane(out):
    """Open from above, full of brush: no free width in it and no lane along it."""
    gap = LineString(TRUTH["thicket_gap"]["line"])
    lanes = layer(out, "lanes").geometry.union_all()
    assert gap.buffer(2.0).intersection(lanes).length < 0.25 * gap.length
    with rasterio.open(out / "rasters" / "free_width.tif") as source:
        width = source.read(1, masked=True).filled(0)
        transform = ~source.transform
    steps = [gap.interpolate(d) for d in np.arange(4.0, gap.length - 4, 1.0)]
    cells = [transform @ (p.x, p.y) for p in steps]
    along = np.array([width[int(r), int(c)] for c, r in cells])
    assert np.mean(along < 2.5) > 0.8


def test_pond_and_creek_are_where_they_were_dug(out):
    water = layer(out, "water")
    pond = Polygon(TRUTH["pond"]["outline"])
    biggest = water.loc[water["area_m2"].idxmax()]
    overlap = biggest.geometry.intersection(pond).area / biggest.geometry.union(pond).area
    assert overlap > 0.8
    assert biggest["level_m"] == pytest.approx(TRUTH["pond"]["level_m"], abs=0.1)
    creek = LineString(TRUTH["creek"]["line"])
    near = layer(out, "property").geometry.union_all()
    inner = creek.intersection(near)
    drains = layer(out, "drainage").geometry.buffer(6.0).union_all()
    assert inner.intersection(drains).length / inner.length > 0.8


def test_no_site_in_water_and_none_on_the_boundary(out):
    water = layer(out, "water").geometry.union_all()
    land = layer(out, "property").geometry.union_all()
    for name in ("tee_sites", "basket_sites"):
        sites = layer(out, name)
        own = set(layer(out, "legs").query("origin == 'own'")[
            "tee_id" if name == "tee_sites" else "end_id"])  # fmt: skip
        sites = sites[~sites["site_id"].isin(own)]
        assert len(sites) > 100
        assert sites.geometry.distance(water).min() > 6.5
        assert sites.geometry.distance(land.boundary).min() > 14.0


def test_wires_are_a_caution(out):
    cautions = layer(out, "cautions")
    line = LineString(TRUTH["wire"]["line"])
    wires = cautions[cautions["caution"] == "power line"].geometry.union_all()
    land = layer(out, "property").geometry.union_all()
    assert line.intersection(land).difference(wires.buffer(5)).length < 0.2 * line.length


def test_own_lines_are_scored_like_ours(out):
    own = layer(out, "legs").query("origin == 'own'")
    drawn = gpd.read_file(ROOT / "sample_tiles" / "own_holes.gpkg")
    assert len(own) >= 2 * len(drawn)  # two levels, bends make more
    assert own["clear_rate"].notna().all()


def test_trees_stand_where_they_were_planted(out):
    """Greedy match within 2.5 m; published detection on national lidar is far from all."""
    planted = np.load(ROOT / "sample_tiles" / "trees.npz")
    land = layer(out, "property").geometry.union_all().buffer(-10)
    found = layer(out, "trees")
    found = found[found.within(land)]
    x, y = found.geometry.x.to_numpy(), found.geometry.y.to_numpy()
    from scipy.spatial import cKDTree

    names = planted.files
    records = planted[names[0]] if len(names) == 1 else planted
    px, py = np.asarray(records["x"]), np.asarray(records["y"])
    distance, _ = cKDTree(np.column_stack([px, py])).query(np.column_stack([x, y]))
    assert np.mean(distance < 2.5) > 0.7


def test_the_summary_describes_the_run(out):
    summary = json.loads((out / "summary.json").read_text())
    assert summary["georeference"]["crs"].startswith("EPSG:26916")
    assert len([i for i in summary["inputs"] if i["role"] == "points"]) == 4
    assert all(i["checksum"].startswith("blake2b-128:") for i in summary["inputs"])
    assert {s["stage"] for s in summary["stages"]} >= {"ingest", "ground", "legs", "publish"}
    assert summary["findings"]["ingest"]["points_duplicate"] > 10_000  # the strip two tiles share
    assert summary["counts"]["legs"] == len(layer(out, "legs"))


def test_the_page_is_read_in_25_screens_and_printed_on_40_pages(out, tmp_path):
    """Bounds wished by who reads it; measured in Chromium at 1280 x 900 and on A4."""
    assert (out / "report.html").stat().st_size <= 6_000_000
    with browsing() as browser, opened(out / "report.html", browser) as watched:
        page = watched.page
        assert page.evaluate("document.documentElement.scrollHeight") <= 25 * 900
        # Each picture of a feature stays beside its words.
        for feature in page.locator("ol.features > li").all():
            picture, words = (feature.locator(x).bounding_box() for x in ("svg.small", "div"))
            assert 100 < picture["width"] <= 150
            assert picture["x"] + picture["width"] <= words["x"]
        page.pdf(path=tmp_path / "report.pdf", format="A4", prefer_css_page_size=True)
        assert watched.errors == []
        assert watched.requests == []
    assert len(re.findall(rb"/Type /Page[ \n/]", (tmp_path / "report.pdf").read_bytes())) <= 40


def test_road_house_and_wire_lie_where_they_were_planted(out):
    """The road as its file draws it, the house and the wire as the lidar shows them."""
    road = layer(out, "keep_out_lines")
    planted = gpd.read_file(ROOT / "sample_tiles" / "road.gpkg").to_crs(road.crs).union_all()
    assert set(road["name"]) == {"road"}
    assert list(road["buffer_m"].unique()) == [6.0]
    assert road.geometry.within(planted.buffer(0.01)).all()
    house = Polygon(TRUTH["house"])
    found = layer(out, "buildings").geometry.union_all()
    assert found.intersection(house).area > 0.8 * house.area
    assert found.area < 1.5 * house.area
    wire = LineString(TRUTH["wire"]["line"])
    seen = layer(out, "wires")
    land = layer(out, "property").geometry.union_all()
    over = wire.intersection(land)
    # Parallel wires hang up to 1.5 m from the middle; a straight piece cuts a bend by a metre more.
    assert seen.geometry.within(wire.buffer(3.0)).all()
    assert over.intersection(seen.geometry.union_all().buffer(3.0)).length > 0.9 * over.length
    low, high = TRUTH["wire"]["height_m"]
    assert seen["height_m"].between(low - 2, high + 1).all()


def test_other_tees_and_pins_are_drawn_on_map_card_book_and_in_the_project(out):
    """Each position of a hole of the first proposal, as the GeoPackage has it."""
    holes = layer(out, "layout_holes")
    holes = holes[holes["proposal"] == 1]
    positions = layer(out, "hole_positions")
    mine = positions[positions["hole_id"].isin(holes["hole_id"])]
    assert len(mine) > 10
    page = (out / "report.html").read_text("utf-8")
    first = page.split('data-proposal="proposal-1"')[1].split('data-proposal="proposal-2"')[0]
    order = dict(zip(holes["hole_id"], holes["play_order"], strict=True))
    book = subprocess.run(
        ["pdftotext", "-layout", str(out / "field-book.pdf"), "-"], capture_output=True, text=True
    ).stdout
    to_wgs = positions.to_crs("EPSG:4326").geometry
    for row, spot in zip(mine.itertuples(), to_wgs[mine.index], strict=True):
        kind = "tee" if row.position == "tee" else "other pin"
        drawn = re.findall(
            rf"<title>Hole {order[row.hole_id]}, {row.level} {kind}: (\d+)\u202fm \(", first
        )
        # The layer is rounded to 0.1 m, the page to 1 m.
        assert any(abs(int(metres) - row.length_m) <= 0.56 for metres in drawn)
        assert f"{spot.y:.6f}, {spot.x:.6f}" in book
    assert first.count("</title>") > len(mine)
    with zipfile.ZipFile(out / "scout.qgz") as archive:
        project = archive.read("scout.qgs").decode()
    assert "Proposal 1: other tees and pins" in project


def test_low_sun_and_bounds_of_each_hole_reach_card_book_and_sheet(out):
    """The layer's own words, each parsed from its file; bearings made anew from the lines."""
    holes = layer(out, "layout_holes")
    mine = holes[holes["proposal"] == 1]
    book, sheet = (
        " ".join(
            subprocess.run(
                ["pdftotext", *more, str(out / name), "-"], capture_output=True, text=True
            ).stdout.split()
        )
        for name, more in (("field-book.pdf", []), ("concept-plan.pdf", []))
    )
    page = (out / "report.html").read_text("utf-8")
    legs = layer(out, "legs").set_index("leg_id").geometry
    assert mine["sun_morning"].notna().any()
    assert mine["sun_evening"].notna().any()
    for row in mine.itertuples():
        card = page.split(f'id="hole-{row.hole_id}"')[1].split("</article>")[0]
        for when, name in (("sun_morning", "mornings"), ("sun_evening", "evenings")):
            months = getattr(row, when)
            if isinstance(months, str):
                assert f"{name}, {months}" in card
                assert f"{name}, {months}" in book
        if isinstance(row.consider, str):
            assert row.consider in card
        # From April to October no low sun stands near the south at 39 degrees north.
        first = shapely.get_coordinates(legs[int(row.legs.split()[0])])
        east, north = first[-1] - first[0]
        if abs(east) < 0.1 * abs(north) and north < 0:
            assert not isinstance(row.sun_morning, str)
    assert "Low sun ahead of the tee in some months" in sheet


def test_no_hole_of_the_book_takes_a_third_page(out):
    """A spread each: what finds no room on it stands in the lists at the end."""
    text = subprocess.run(
        ["pdftotext", str(out / "field-book.pdf"), "-"], capture_output=True, text=True
    ).stdout
    assert text.count(": on foot") == len(layer(out, "layout_holes").query("proposal == 1"))
    assert "on foot, continued" not in text
    assert "creek, by the terrain" in text


def test_heights_of_contours_on_the_map_are_those_of_the_ground(out):
    """Each height stands within a contour's smoothing of ground that is as high."""
    page = (out / "report.html").read_text("utf-8")
    texts = re.findall(r'<text class="height" x="([-\d.]+)" y="([-\d.]+)" dy=".36em">(\d+)<', page)
    assert len(texts) >= 2  # where three rounds leave room for one
    with rasterio.open(out / "rasters" / "ground.tif") as source:
        ground, left, top = source.read(1), source.bounds.left, source.bounds.top
        for x, y, height in texts:
            row, col = source.index(left + float(x), top - float(y))
            assert abs(ground[row, col] - float(height)) < 0.6


def test_the_creek_is_one_line_along_its_planted_bed(out):
    """It enters in the north, leaves in the south, and strays no farther than lidar's ground."""
    lines = layer(out, "drainage")
    bed = LineString(TRUTH["creek"]["line"]) if "line" in TRUTH["creek"] else None
    creek = lines.geometry[lines["upslope_ha"].idxmax()]
    land = layer(out, "property").geometry.union_all()
    assert bed is not None
    inside = bed.intersection(land)
    assert creek.intersection(bed.buffer(8.0)).length > 0.9 * creek.length
    assert inside.intersection(creek.buffer(8.0)).length > 0.8 * inside.length


def test_what_is_worth_seeing_first_is_what_was_planted(out):
    """Pond, highest drop and planted tunnels are among the first ten features."""
    features = layer(out, "features")
    first = features[features["feature_id"] <= 10]
    pond = Polygon(TRUTH["pond"]["outline"])
    carries = first[first["kind"] == "carry"]
    assert carries.geometry.intersects(pond).any()
    assert len(first[first.geometry.distance(pond) < 30]) <= 3  # one pond does not fill the list
    # The most that ground of the property falls within 101 m, a tee throw of blue, read off the
    # published raster: no feature may promise more, the first drop little less.
    drops = first[first["kind"] == "drop"]
    assert 13 < drops["drop_m"].max() < 17
    tunnels = first[first["kind"] == "tunnel"].geometry.buffer(4.0).union_all()
    found = {
        name: LineString(planted["line"]).intersection(tunnels).length
        / LineString(planted["line"]).length
        for name, planted in TRUTH["tunnels"].items()
    }
    assert found["bottoms"] > 0.8
    assert found["doe path"] > 0.8
    # Lidar sees the ironwood tunnel in four pieces; joined, it is among the first ten all the same.
    assert found["ironwood"] > 0.8
    assert features["shown"].sum() == 15
    assert features["name"].is_unique


def test_candidates_are_mostly_fair_spread_and_for_the_level_of_the_layouts(out):
    """What each rule of the choice leaves in the layer; their shares are ours."""
    holes = gpd.read_file(out / "scout.gpkg", layer="holes")
    holes = holes[holes["origin"] == "search"]
    count = holes["level"].value_counts()
    assert count["red"] < 0.5 * count["blue"]
    blue = holes[holes["level"] == "blue"]
    assert (blue["fair"] != "yes").mean() < 0.26
    ends = np.array([line.coords[-1][:2] for line in blue.geometry])
    squares = np.unique(np.floor(ends / 20), axis=0, return_counts=True)[1]
    assert np.sort(squares)[-20:].sum() < 0.22 * len(blue)  # 0.30 by squares of tees alone


def test_the_first_features_are_in_the_rounds_or_the_reason_is_there(out):
    """Without their weight the rounds use 7 of 15, and two leave out the carry over the pond."""
    holes = gpd.read_file(out / "scout.gpkg", layer="layout_holes", ignore_geometry=True)
    links = gpd.read_file(out / "scout.gpkg", layer="hole_features", ignore_geometry=True)
    report = (out / "report.html").read_text("utf-8")
    used = []
    findings = json.loads((out / "summary.json").read_text())["findings"]
    for proposal in findings["layout"]["proposals"]:
        mine = holes[holes["proposal"] == proposal["proposal"]]
        assert [row["feature_id"] for row in proposal["features"]] == [1, 2, 3, 4, 5]
        for row in proposal["features"]:
            users = links.loc[links["feature_id"] == row["feature_id"], "hole_id"]
            playing = mine.loc[mine["hole_id"].isin(users), "play_order"]
            assert row["holes"] == sorted(playing)
            if not row["holes"]:
                assert not row["candidates"] or row["in_conflict"] >= 0
                assert f"F{row['feature_id']} left out" in report
        used.append([row["feature_id"] for row in proposal["features"] if row["holes"]])
    assert 1 in used[0]
    assert sum(map(len, used)) >= 9


def test_each_hole_of_a_round_says_how_much_room_it_leaves(out):
    near = gpd.read_file(out / "scout.gpkg", layer="layout_neighbours")
    holes = gpd.read_file(out / "scout.gpkg", layer="layout_holes")
    assert (near.groupby(["proposal", "play_order"]).size() == 3).all()
    assert len(near) == 3 * len(holes)
    assert (near["margin_m"] >= 0).all()  # no rule is broken, by code that chose nothing
    assert near["margin_m"].min() < 5  # and some rule is what keeps them apart
    lines = holes.set_index(["proposal", "play_order"]).geometry
    for row in near.itertuples():
        first, last = (shapely.Point(row.geometry.coords[k][:2]) for k in (0, -1))
        assert lines[row.proposal, row.play_order].distance(first) < 3
        assert lines[row.proposal, row.other_order].distance(last) < 3
    assert set(holes["sight"].dropna()) == {"clear", "growth", "ground"}
    page = (out / "report.html").read_text("utf-8")
    assert page.count("blind, behind the ground") >= (holes["sight"] == "ground")[:18].sum() > 0
    assert page.count("The three holes of the round that leave least room") >= 18


def test_other_tees_and_pins_of_rounds_keep_the_rules_beside_their_neighbours(out):
    """22 that were found do not, and are left out."""
    run = open_run(out)
    stored = stored_results(out, run.settings)
    rounds, positions = run.table("layout_holes"), run.table("hole_positions")
    played = positions[positions["hole_id"].isin(rounds["hole_id"])]
    assert played.loc[played["position"] == "tee", "hole_id"].nunique() >= 20
    assert played.loc[played["position"] == "pin", "hole_id"].nunique() >= 20
    levels = [each.level for each in stored.flights.levels]
    check = Check(levels, stored.scene, run.settings.layout.safety)
    links = stored.holes.links
    assert _fit(played, links, stored.holes.legs, rounds.drop(columns="legs"), check).all()
    facts = run.summary["findings"]["holes"]
    assert facts["positions too near other holes of a round or the land"] > 0


def test_the_owners_sheet_is_one_page(out):
    if shutil.which("pdfinfo") is None:
        pytest.skip("pdfinfo of poppler-utils is not installed")
    words = ["pdfinfo", str(out / "concept-plan.pdf")]
    said = subprocess.run(words, capture_output=True, text=True, check=True).stdout
    assert re.search(r"Pages:\s+1\n", said)


def test_what_to_ask_of_the_owner_says_what_the_layers_hold(out):
    page = (out / "report.html").read_text("utf-8").replace("\u202f", " ")
    asked = page[page.index('id="owner"') :].split("</section>")[0]
    layers = ("property", "wires", "water", "wet_ground", "layout_holes")
    frames = {name: gpd.read_file(out / "scout.gpkg", layer=name) for name in layers}
    assert f"{frames['property']['area_ha'][0]:.1f} ha (" in asked
    assert f"{frames['wires']['length_m'].sum():.0f} m (" in asked
    assert f"{frames['water']['area_m2'].sum() / 1e4:.2f} ha (" in asked
    wet = frames["wet_ground"].query("certainty == 'likely'")
    assert f"{wet['area_m2'].sum() / 1e4:.2f} ha (" in asked
    line = frames["property"].geometry.union_all().boundary
    first = frames["layout_holes"].query("proposal == 1").set_index("play_order").geometry
    ends = {k: [shapely.Point(xy[:2]) for xy in shape.coords] for k, shape in first.items()}
    near = [k for k, places in ends.items() if min(p.distance(line) for p in places) < 20]
    named = re.search(r"of it: holes? ([\d, and]+);", asked)
    assert (named is None) == (not near)
    if named:
        assert [int(n) for n in re.findall(r"\d+", named[1])] == near


def test_proposals_are_fair_whole_rounds_with_an_idea_each(out):
    """Blue on 18 hectares: 18 holes of 1,690 m and more are usual; our default, common practice."""
    holes = gpd.read_file(out / "scout.gpkg", layer="layout_holes", ignore_geometry=True)
    walks = gpd.read_file(out / "scout.gpkg", layer="layout_walks", ignore_geometry=True)
    ideas = holes.groupby("proposal")["idea"].first()
    assert ideas[1] == "shortest walks"
    assert ideas.is_unique
    assert (holes.groupby("proposal").size() == 18).all()
    asked = holes["wish"].notna()  # what the designer wants comes in, fair or not
    assert not (holes["fair"][~asked] == "no").any()
    assert (holes[holes["par"] >= 4].groupby("proposal").size() >= 2).all()
    played = holes.groupby("proposal")["length_m"].sum()
    assert (played > 0.9 * 1690).all()
    walked = walks.groupby("proposal")["length_m"].sum() / played
    # The trade asks for a quarter: the wood of this land offers few fair holes, and they lie apart.
    assert (walked < 0.52).all()
    # 300 ft, common practice; the longest is 93 to 104 m where `far_walk` is 1.
    assert walks["length_m"].max() < 91
    # Each is the best of all at what it is named for.
    findings = json.loads((out / "summary.json").read_text())["findings"]["layout"]
    hours = pd.Series({p["proposal"]: p["trim_hours_high"] for p in findings["proposals"]})
    wooded = holes["lane_kind"].isin(["lane", "tunnel"]).groupby(holes["proposal"]).sum()
    merits = {
        "shortest walks": -walks.groupby("proposal")["length_m"].sum(),
        "most character": holes.groupby("proposal")["score"].mean(),
        "least cutting": -hours, "most wooded": wooded,
    }  # fmt: skip
    for proposal, idea in ideas.items():
        if idea in merits:
            assert merits[idea][proposal] == merits[idea].max(), idea
        elif idea == "other holes":
            assert not any(each[proposal] == each.max() for each in merits.values())
    assert findings["holes of rounds moved"] > 0
