"""The page: its parts, its numbers against the GeoPackage read back, what it never does."""

import base64
import gzip
import html.parser
import io
import re

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from scipy.stats import norm

from lanewright.base.rows import rows_of
from lanewright.base.units import FOOT
from lanewright.publish.geopackage import write_geopackage
from lanewright.publish.mapdata import Line
from lanewright.publish.report import pictures as pics
from lanewright.publish.report.drawing import path
from lanewright.publish.report.mapsheet import Mark, _apart, _outside, _plate, _turned
from lanewright.publish.report.page import build_report, write_report
from lanewright.publish.report.sideview import GROWTH, side_view
from lanewright.publish.report.space import space_of
from lanewright.publish.report.subjects import subjects_of
from lanewright.publish.report.words import Units
from lanewright.publish.spread import spread_of
from publish.findings import DENSE, GRID, ORIGIN, WALL, made, table
from publish.frames import UTM


class Page(html.parser.HTMLParser):
    """Elements, texts and tables of a page as a browser would find them."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.tables: dict[str, list[list[tuple[str, str | None]]]] = {}
        self.words = ""
        self._open: list[str] = []
        self._table = ""
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in ("meta", "input", "img", "br", "link", "image", "use", "path"):
            self._open.append(tag)
        if tag == "table":
            self._table = dict(attrs).get("id") or dict(attrs).get("class") or ""
            self.tables.setdefault(self._table, [])
        elif tag == "tr" and self._table:
            self.tables[self._table].append([])
        elif tag in ("td", "th") and self._table:
            self.tables[self._table][-1].append(("", dict(attrs).get("data-value")))

    def handle_endtag(self, tag):
        if tag == "table":
            self._table = ""
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data):
        if self._open and self._open[-1] in ("script", "style"):
            return
        self.words += data
        if self._table and self.tables[self._table] and self.tables[self._table][-1]:
            text, value = self.tables[self._table][-1][-1]
            self.tables[self._table][-1][-1] = (text + data, value)


@pytest.fixture(scope="module")
def run():
    return made()


@pytest.fixture(scope="module")
def text(run):
    return build_report(run.found)


@pytest.fixture(scope="module")
def page(text):
    return Page(text)


@pytest.fixture(scope="module")
def geopackage(run, tmp_path_factory):
    file = tmp_path_factory.mktemp("report") / "scout.gpkg"
    write_geopackage(file, run.layers, UTM, words={"lane_heights": "0.5 to 5 m"})
    return file


def plain(text: str) -> str:
    return text.replace("\u202f", " ").replace("−", "-").replace(",", "").strip()


def lengths(text: str) -> tuple[float, float]:
    """Metres and feet out of `92 m (302 ft)` or the other way round."""
    said = plain(text)
    metres = re.search(r"(-?[\d.]+) m\b", said)
    feet = re.search(r"(-?[\d.]+) ft\b", said)
    assert metres, text
    assert feet, text
    return float(metres[1]), float(feet[1])


def roughly(share: float) -> str:
    """A share to the nearest twentieth, as the page says what a survey cannot know better."""
    near = round(share * 20)
    return {0: "nearly none", 20: "nearly all"}.get(near, f"about {near * 5} %")


# ---------------------------------------------------------------------------------------------
# Parts


def test_every_part_is_there(page):
    ids = {attrs.get("id") for _, attrs in page.tags}
    assert {"glance", "map", "layouts", "cards", "crew", "made"} <= ids
    for key in (1, 2, 3, 4):  # holes of the two proposals
        assert f"hole-{key}" in ids
    assert "hole-5" not in ids  # in no proposal, and not the designer's


def test_canopy_starts_at_the_height_that_the_settings_set():
    high = build_report(made(vegetation={"canopy_from": 13.0}).found)  # the wood is 12 m high
    words = plain(high)
    assert "Canopy covers 0 % of it" in words
    assert "under canopy over 13 m (43 ft)" in words


def test_the_land_is_described_in_five_sentences(text):
    lede = re.search(r'<div class="lede">(.*?)</div>', text, re.S)[1]
    sentences = re.findall(r"<p>(.*?)</p>", lede, re.S)
    assert len(sentences) == 5
    assert all(s.strip().endswith(".") for s in sentences)
    words = plain(" ".join(sentences))
    assert "half of it is gentler than 5 %" in words  # slope is 5 percent all over
    assert "Canopy covers 50 % of it" in words  # 199 of 400 columns
    assert "holds 3 of the 5 holes asked for" in words
    assert "par of 10" in words  # 3 + 3 + 4


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        (("layout_holes", "layout_walks"), "No layout was made in this run"),
        (("holes", "layout_holes", "layout_walks"), "No holes were put together in this run"),
        (("trim_work",), "No trim work was planned in this run"),
        (
            ("legs", "holes", "layout_holes", "layout_walks", "trim_work"),
            "No line to throw was found",
        ),
        (("trees", "lanes", "openings", "water", "wet_ground", "cautions"), "No cautions came out"),
    ],
)
def test_what_is_missing_is_named_in_a_sentence(missing, said):
    assert said in Page(build_report(made(without=missing).found)).words


def test_without_lidar_nothing_is_said_of_growth():
    run = made(lidar=False)
    for name in ("legs", "holes"):
        rates = [c for c in run.found.layers[name] if c.startswith("clear_rate")]
        run.found.layers[name][rates] = np.nan
    words = Page(build_report(run.found)).words
    assert "no clear rate is given" in words
    assert "No clear rate: nothing is known of what grows here." in words


def test_par_and_length_tables_are_called_our_default(page):
    assert page.words.count("our default") >= 4


def test_the_same_results_make_the_same_page(run, text):
    assert build_report(run.found) == text


def test_features_lead_and_stand_on_the_map_with_their_numbers():
    """Names and reasons are those of the layer; only features that are shown have a picture."""
    run = made()
    frame = run.found.layers["features"]
    frame["shown"] = [True] * 2 + [False] * (len(frame) - 2)
    text = build_report(run.found)
    words = Page(text).words
    for row in frame.itertuples():
        assert (text.count(f'id="feature-F{row.feature_id}"') == 1) == row.shown
        assert (row.reason in words) == row.shown
    assert text.index('id="offers"') < text.index('id="layouts"') < text.index('id="cards"')


def test_no_word_of_the_solver_reaches_the_reader(page):
    for word in ("Points for", "All points", "Own leg", "weights of the run", "pinches to 0 m"):
        assert word not in page.words
    assert ".." not in page.words.replace("...", "")


# ---------------------------------------------------------------------------------------------
# Numbers


def test_hole_tables_hold_the_numbers_of_the_geopackage(page, geopackage):
    layout = gpd.read_file(geopackage, layer="layout_holes")
    for number in (1, 2):
        rows = page.tables[f"table-{number}"][1:]
        mine = layout[layout["proposal"] == number].sort_values("play_order")
        assert len(rows) == len(mine)
        for cells, (_, hole) in zip(rows, mine.iterrows(), strict=True):
            said = [plain(text).strip() for text, _ in cells]
            assert said[0].split()[0] == str(hole["play_order"])
            assert said[1] == str(hole["par"])
            for at, column in ((2, "length"), (3, "effective_length"), (11, "walk")):
                metres, feet = lengths(cells[at][0])
                assert metres == pytest.approx(hole[f"{column}_m"], abs=0.5)
                assert feet == pytest.approx(hole[f"{column}_m"] / FOOT, abs=0.5)
                assert float(cells[at][1]) == hole[f"{column}_m"]
            metres, feet = lengths(cells[4][0])
            assert metres == pytest.approx(hole["rise_m"], abs=0.05001)
            assert feet == pytest.approx(hole["rise_m"] / FOOT, abs=0.5)
            assert said[5] == hole["finish"]
            assert said[7] == roughly(hole["clear_rate"])
            score = f"{hole['expected_score']:.1f} ± {hole['expected_score_sd']:.1f}"
            assert said[8].replace("\xa0", " ") == score
            assert float(said[9]) == pytest.approx(hole["score"], abs=0.005)


def test_terms_add_up_the_rows_of_the_geopackage(page, geopackage):
    layout = gpd.read_file(geopackage, layer="layout_holes")
    walks = gpd.read_file(geopackage, layer="layout_walks")
    terms = {plain(row[0][0]): [c[0] for c in row[1:]] for row in page.tables["terms"]}
    for i, number in enumerate((1, 2)):
        holes, ways = layout[layout["proposal"] == number], walks[walks["proposal"] == number]
        assert int(terms["Holes"][i]) == len(holes)
        assert int(terms["Par (our default table)"][i]) == holes["par"].sum()
        assert lengths(terms["Length"][i])[0] == pytest.approx(holes["length_m"].sum(), abs=0.5)
        metres = lengths(terms["Walks between holes"][i])[0]
        assert metres == pytest.approx(ways["length_m"].sum(), abs=0.5)
        assert plain(terms["Lowest clear rate"][i]) == roughly(holes["clear_rate"].min())


def test_the_crews_list_holds_what_the_proposals_need_and_no_more(page, geopackage):
    """Hours and pieces added up from the GeoPackage for the holes of each proposal."""
    work = gpd.read_file(geopackage, layer="trim_work")
    layout = gpd.read_file(geopackage, layer="layout_holes")
    chosen = work[work["chosen"]]
    for number in (1, 2):
        holes = layout.loc[layout["proposal"] == number, "hole_id"]  # hole n plays leg n
        mine = chosen[chosen["leg_id"].isin(holes)].drop_duplicates("piece_id")
        assert len(mine)
        rows = page.tables[f"crew-{number}"][1:]
        assert len(rows) >= len(set(mine["leg_id"]))
        said = re.search(rf"Proposal {number}: (\d+ pieces?) of growth, (.*?) hours", page.words)
        assert plain(said[1]) == f"{len(mine)} piece{'s' * (len(mine) > 1)}"
        low, high = (float(v) for v in plain(said[2]).split("–"))
        assert low == pytest.approx(mine["hours_low"].sum(), abs=0.51)
        assert high == pytest.approx(mine["hours_high"].sum(), abs=0.51)


def test_the_page_does_not_grow_with_candidates(run, text):
    """3,000 more candidate holes and legs, none in a proposal: under 5 kB more. Invariant."""
    more = made()
    for name, key in (("holes", "hole_id"), ("legs", "leg_id")):
        frame = more.found.layers[name]
        many = pd.concat([frame.iloc[[-1]]] * 3000, ignore_index=True)
        many[key] = np.arange(10_000, 13_000)
        many["origin"] = "search"
        if name == "holes":
            many["legs"] = [str(leg) for leg in many[key]]
        more.found.layers[name] = pd.concat([frame, many], ignore_index=True)
    grown = build_report(more.found)
    assert len(grown) - len(text) < 40_000
    assert grown.count('class="card"') == text.count('class="card"')


def test_cards_hold_the_rates_of_the_legs(text, geopackage):
    legs = gpd.read_file(geopackage, layer="legs").set_index("leg_id")
    for hole in (1, 2, 3, 4):
        card = re.search(rf'<article class="card" id="hole-{hole}".*?</article>', text, re.S)[0]
        rates = Page(card).tables["rates"][1]
        leg = legs.loc[hole]
        assert plain(rates[2][0]).startswith(f"{100 * leg['clear_rate']:.0f} %")
        low, high = (f"{100 * leg[f'clear_rate_{end}']:.0f} %" for end in ("low", "high"))
        assert plain(rates[3][0]) == f"{low} to {high}"
        assert plain(rates[4][0]) == f"{100 * leg['clear_rate_leaf_on']:.0f} %"


def test_feet_come_first_where_they_are_wished(geopackage):
    run = made(units="feet")
    page = Page(build_report(run.found))
    layout = gpd.read_file(geopackage, layer="layout_holes")
    first = layout[(layout["proposal"] == 1) & (layout["play_order"] == 1)].iloc[0]
    said = plain(page.tables["table-1"][1][2][0])
    assert said == f"{first['length_m'] / FOOT:.0f} ft ({first['length_m']:.0f} m)"


@given(st.floats(0, 5000), st.integers(0, 1), st.booleans())
def test_lengths_say_the_same_in_both_units(value, digits, feet_first):
    metres, feet = lengths(Units(feet_first).length(value, digits))
    assert metres == pytest.approx(value, abs=0.5 * 10**-digits + 1e-9)
    assert feet == pytest.approx(value / FOOT, abs=0.5 + 1e-9)


# ---------------------------------------------------------------------------------------------
# What it never does


def test_text_from_inputs_stays_text():
    nasty = '<script>alert(1)</script> & "quotes" <img src=x onerror=alert(2)>'
    run = made(name=nasty)
    run.found.layers["layout_holes"]["name"] = "</td></table><script>alert(3)</script>"
    run.found.layers["holes"]["sentence"] = "<b onmouseover=alert(4)>bold</b>"
    run.found.layers["trim_work"]["work"] = "</script><script>alert(5)</script>"
    page = Page(build_report(run.found))
    assert nasty in page.words
    assert "<b onmouseover=alert(4)>bold</b>" in page.words
    scripts = [attrs for tag, attrs in page.tags if tag == "script"]
    assert len(scripts) == 4  # two of data, the plotting library and our own
    pictures = [attrs["src"] for tag, attrs in page.tags if tag == "img"]
    assert all(src.startswith("data:image/svg+xml;base64,") for src in pictures)
    handlers = [a for _, attrs in page.tags for a in attrs if a.startswith("on")]
    assert handlers == []
    assert "a <b>.laz" in page.words  # the name of an input file


def test_it_asks_nothing_of_the_network(page, text):
    for tag, attrs in page.tags:
        for name in ("src", "href", "action", "poster", "data", "srcset"):
            value = attrs.get(name)
            assert value is None or value.startswith(("#", "data:image/")), (tag, value)
    assert not re.search(r"@import|url\((?!#)", text)
    assert "://" not in text


def test_the_plotting_library_is_whole(text):
    packed = re.search(r'id="plotter">(.*?)</script>', text, re.S)[1]
    script = gzip.decompress(base64.b64decode(packed)).decode()
    assert "plotly.js v" in script[:200]


def test_it_is_small(text):
    # A property of 50 ha may take 15 MB; 16 ha of it, six cards and the library take this.
    assert len(text.encode()) < 3_000_000


def test_it_is_written_whole(run, text, tmp_path):
    write_report(tmp_path / "report.html", run.found)
    assert (tmp_path / "report.html").read_text("utf-8") == text
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]


# ---------------------------------------------------------------------------------------------
# Drawings


@given(
    st.lists(st.tuples(st.integers(-5000, 5000), st.integers(-5000, 5000)), min_size=1, max_size=12)
)
def test_paths_lead_through_their_points(points):
    """Read back by the rules of SVG 1.1, 8.3: M absolute, l and h relative."""
    drawn = path(np.array(points) / 10)
    start, _, moves = drawn[1:].partition("l")
    at = np.array([int(v) for v in start.removesuffix("h0").split()])
    steps = np.array([int(v) for v in moves.split()]).reshape(-1, 2)
    walked = [tuple(at), *map(tuple, at + np.cumsum(steps, axis=0))]
    wanted = [p for i, p in enumerate(points) if i == 0 or p != points[i - 1]]
    assert walked == wanted


def pixels(address: str) -> np.ndarray:
    assert address.startswith("data:image/webp;base64,")
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(address.partition(",")[2]))))


def test_classes_are_drawn_in_the_colours_of_the_legend():
    values = np.array([[0.0, 1.0, 3.0], [7.0, 15.0, np.nan], [25.0, 0.5, 2.0]])
    seen = pixels(pics.classed_picture(pics.CANOPY, values))
    colours = pics.CANOPY.colours
    for at, which in (((0, 1), 1), ((0, 2), 2), ((1, 0), 3), ((1, 1), 4), ((2, 0), 5), ((2, 1), 1)):
        assert tuple(seen[at]) == (*pics.rgb(colours[which]), 255)
    assert seen[0, 0, 3] == seen[1, 2, 3] == 0  # bare, and unknown


@pytest.mark.parametrize("surface", [pics.SLOPE, pics.CANOPY, pics.FREE, pics.SEEN])
def test_ramps_read_in_grey(surface):
    """Lightness falls or rises all along; the clear class is paper, the lightest."""
    paper = 250.0
    grey = [
        paper if c is None else float(np.dot(pics.rgb(c), (0.2126, 0.7152, 0.0722)))
        for c in surface.colours
    ]
    steps = np.diff(grey)
    assert (steps < -12).all() or (steps > 12).all()
    assert len(surface.labels(Units(False))) == len(surface.colours)


def test_slopes_that_face_the_light_are_bright():
    rows, cols = np.indices((40, 40))
    toward = pics.hillshade((rows + cols) * 0.3, 1.0)  # falls to the north-west
    away = pics.hillshade(-(rows + cols) * 0.3, 1.0)
    flat = pics.hillshade(np.zeros((40, 40)), 1.0)
    assert toward.mean() > flat.mean() > away.mean()


def test_a_wall_stands_in_the_side_view_where_it_was_built(run):
    subject = next(s for s in subjects_of(run.found) if s.key == "hole-1")
    line = Line(subject.legs, subject.paths)
    view = side_view(run.found.map_data, line, subject.title, Units(False))
    seen = pixels(view.curtain)
    wall = (seen[..., :3] == pics.rgb(GROWTH[2])).all(-1) & (seen[..., 3] == 255)
    assert DENSE > 0
    along = np.flatnonzero(wall.any(0)) * 0.5 + view.left
    assert along.min() == pytest.approx(WALL, abs=1.5)
    assert along.max() == pytest.approx(WALL + 3, abs=1.5)
    assert wall.any(1).sum() * 0.25 == pytest.approx(3.0, abs=0.5)  # from 2 to 5 m up
    assert not view.trimmed


def test_what_is_trimmed_is_gone_from_the_second_side_view(run):
    subject = next(s for s in subjects_of(run.found) if s.key == "hole-1")
    work = run.found.layers["trim_work"]
    rows = tuple(r for r in rows_of(work) if r["leg_id"] == 1)
    shapes = tuple(work.geometry[work["leg_id"] == 1])
    line = Line(subject.legs, subject.paths, rows, shapes)
    view = side_view(run.found.map_data, line, subject.title, Units(False))
    assert (pixels(view.curtain)[..., 3] > 0).any()
    assert not (pixels(view.trimmed)[..., 3] > 0).any()
    assert len(view.cuts) == 1


def test_throws_spread_as_their_normal_errors_say(run):
    """Nine of ten normal errors lie within 1.645 standard deviations (any table of the normal)."""
    subject = subjects_of(run.found)[0]
    spread = spread_of(table(), subject.legs[0], subject.paths[0])
    sd = np.radians(table().levels[0].aim_sd_deg)
    outer, inner = np.tan(norm.ppf(0.95) * sd), np.tan(norm.ppf(0.75) * sd)
    half = len(spread.along) // 2
    at = spread.along[half]
    right, inner_right, inner_left, left = spread.left[:, half]
    assert [-right, left] == pytest.approx([outer * at] * 2, rel=0.05)
    assert [-inner_right, inner_left] == pytest.approx([inner * at] * 2, rel=0.05)


def test_points_in_space_are_where_growth_was_planted(run):
    subject = next(s for s in subjects_of(run.found) if s.key == "hole-1")
    data = space_of(run.found, subject, [None])
    points = np.frombuffer(base64.b64decode(data["points"]), "<i2").reshape(-1, 3) / 10
    assert len(points) == 9 * 12  # nine columns, twelve layers
    assert points[:, 0].min() == pytest.approx(WALL, abs=1.6)
    assert np.ptp(points[:, 0]) == pytest.approx(2.0, abs=0.11)
    heights = np.frombuffer(base64.b64decode(data["heights"]), "<i2") / 10
    assert heights.min() == pytest.approx(2.1, abs=0.05)
    assert heights.max() == pytest.approx(4.9, abs=0.05)
    flight = np.frombuffer(base64.b64decode(data["flights"][0]), "<i2").reshape(-1, 3) / 10
    assert flight[0, :2] == pytest.approx([0, 0])
    assert flight[-1, :2] == pytest.approx([90, 0], abs=0.11)


def test_without_holes_the_best_legs_that_keep_apart_get_a_card():
    run = made(without=("holes", "layout_holes", "layout_walks"))
    legs = run.found.layers["legs"]
    subjects = subjects_of(run.found)
    assert all(s.key.startswith("leg-") for s in subjects)
    own = [s for s in subjects if s.row["origin"] == "own"]
    assert len(own) == (legs["origin"] == "own").sum()
    assert subjects[: len(own)] == own
    scores = [s.row["score"] for s in subjects[len(own) :]]
    assert scores == sorted(scores, reverse=True)


def test_the_map_draws_the_property_where_it_lies(text):
    view = [float(v) for v in re.search(r'data-view="([^"]+)"', text)[1].split()]
    box = shapely.box(*ORIGIN, ORIGIN[0] + 400, ORIGIN[1] + 400)
    left, top = box.bounds[0] - GRID.left, GRID.top - box.bounds[3]
    assert view[0] < left < view[0] + view[2] / 10
    assert view[1] < top < view[1] + view[3] / 10
    assert view[2] == pytest.approx(400 * 1.08, abs=1)


def test_the_rim_of_the_veil_lies_beyond_any_view_of_a_narrow_land():
    """It is drawn as the property line is, and nobody owns a line there."""
    narrow = gpd.GeoSeries([shapely.box(0, 0, 200, 550)])
    x, y = re.match(r"M(-?\d+) (-?\d+)l", _outside(narrow, 0, 550, 200, 550)).groups()
    # In tenths of a metre; a map is at most some three times as wide as high, or as high as wide.
    assert min(abs(int(x)), abs(int(y))) > 3 * 5500


def test_plates_of_holes_from_one_spot_keep_off_one_another_and_off_lines_of_play():
    """Two tees 4 m apart whose throws go east, with the line of a third behind them."""
    marks = [
        Mark(k, k, k, "", x, 50.0, 0.0, -17.0, 0.0, x + 80, 50.0, (), "straight")
        for k, x in (("4", 100.0), ("15", 104.0))
    ]
    behind = shapely.LineString([(86.0, 0.0), (86.0, 100.0)])
    for pixel in (0.5, 1.0):
        placed = _apart(marks, behind, pixel)
        first, second = (_plate(mark, pixel) for mark in placed)
        assert not first.intersects(second)
        assert not first.intersects(behind)
        assert not second.intersects(behind)
        assert _plate(marks[0], 1.0).intersects(behind)
    # Where nothing is in the way a plate stands straight behind its tee.
    alone = _apart(marks[:1], shapely.Point(), 1.0)[0]
    assert (alone.plate_x, alone.plate_y) == (-17.0, 0.0) == (
        _turned(marks[0], 0).plate_x, abs(_turned(marks[0], 0).plate_y)
    )  # fmt: skip
