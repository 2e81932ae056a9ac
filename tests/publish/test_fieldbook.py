"""The book is read back with poppler, a program not ours, and its numbers held against layers."""

import re
import shutil
import subprocess
from dataclasses import replace

import numpy as np
import pytest
from pyproj import Geod, Transformer

from lanewright.base.errors import InputError
from lanewright.publish.book import About, Book, facts_of, maps, write_fieldbook
from lanewright.publish.book.paper import PAPERS
from lanewright.publish.book.plan import line_of
from lanewright.publish.book.view import along_play
from lanewright.publish.mapdata import MapData
from lanewright.publish.section import BLOCKING, BUILT, EMPTY, UNSEEN, section_of
from lanewright.settings.visit import FieldSettings
from lanewright.visit.fieldchecks import Surveyed, list_checks
from lanewright.visit.outing import CHECK, Spot, as_published, outing_of
from publish import outings
from publish.frames import ORIGIN, UTM

TITLE = "Übungsplatz <script>alert(1)</script> & Söhne"


def book_of(layers=None, *, start=True, lidar=True, feet_first=False):
    layers = outings.layers() if layers is None else layers
    rasters = outings.rasters()
    outing = outing_of(layers, 18, Spot(*outings.START, 101.0) if start else None)
    checks = list_checks(
        outing, layers, rasters if lidar else {}, outings.GRID,
        Surveyed(outings.LAND, None, "off"), FieldSettings(), feet_first,
    )  # fmt: skip
    data = MapData(
        outings.GRID, rasters["ground"], rasters["canopy_height"] if lidar else None,
        outings.columns() if lidar else None, outings.LAND,
        list(layers["water"].geometry), list(layers["wet_ground"].geometry),
    )  # fmt: skip
    return Book(data, outing, as_published("field_checks", checks), feet_first)


def about_of(layers=None, paper="a5", lidar=True):
    layers = outings.layers() if layers is None else layers
    facts = facts_of(
        area_ha=12.0, levels=("blue", "red"), ground="class 2", flown=("2021-03-17", "2021-03-19"),
        leaf_state="off", crs=UTM, lidar=lidar,
    )  # fmt: skip
    return About(TITLE, facts, layers["cautions"], paper)


def poppler(program, *arguments):
    if shutil.which(program) is None:
        pytest.skip("no poppler: apt-get install poppler-utils")
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, check=True)
    assert not done.stderr, done.stderr
    return done.stdout.decode()


def text_of(path, *pages):
    span = ["-f", pages[0], "-l", pages[-1]] if pages else []
    return " ".join(poppler("pdftotext", "-layout", *span, path, "-").split())


@pytest.fixture(scope="module")
def drawn():
    return book_of()


@pytest.fixture(scope="module")
def book(drawn, tmp_path_factory):
    path = tmp_path_factory.mktemp("book") / "field-book.pdf"
    write_fieldbook(path, drawn, about_of())
    return path


def test_what_the_typeface_lacks_is_replaced_visibly_and_said(drawn, tmp_path):
    """DejaVu Sans holds no Chinese, Japanese or Korean and few emoji (its own list of glyphs)."""
    path = tmp_path / "book.pdf"
    write_fieldbook(path, drawn, replace(about_of(), title="Wood 木立 숲 🌳 Ж é"))
    text = text_of(path)
    assert "Wood ▯▯ ▯ ▯ Ж é" in text
    assert "▯ stands for a character that the typeface of this book lacks" in text
    assert not set("木立숲🌳") & set(text)


def test_a_book_that_lacks_nothing_says_nothing_of_it(book):
    assert "▯" not in text_of(book)


def pages_of(path):
    return [" ".join(page.split()) for page in
            poppler("pdftotext", "-layout", path, "-").split("\f")[:-1]]  # fmt: skip


def page_with(path, start):
    """Number and text of the page that starts so."""
    (found,) = [(i, p) for i, p in enumerate(pages_of(path), start=1) if p.startswith(start)]
    return found


def test_fonts_are_embedded_truetype(book):
    fonts = poppler("pdffonts", book).splitlines()[2:]
    assert fonts
    for line in fonts:
        assert "TrueType" in line
        assert re.search(r"yes yes yes +\d+ +\d+$", line), line  # embedded, subset, unicode


@pytest.mark.parametrize(("paper", "size"), PAPERS.items())
def test_size_and_whole_sheets(drawn, tmp_path, paper, size):
    write_fieldbook(tmp_path / "a.pdf", drawn, about_of(paper=paper))
    said = poppler("pdfinfo", tmp_path / "a.pdf")
    width, height = re.search(r"Page size: +([\d.]+) x ([\d.]+)", said).groups()
    assert (float(width), float(height)) == pytest.approx(size, abs=0.01)
    assert int(re.search(r"Pages: +(\d+)", said)[1]) % 4 == 0


def test_nothing_is_coloured(book, tmp_path):
    poppler("pdftoppm", "-r", "40", book, tmp_path / "page")
    from PIL import Image

    for path in tmp_path.glob("page*"):
        pixels = np.asarray(Image.open(path).convert("RGB"), int)
        assert np.ptp(pixels, axis=2).max() == 0


def test_the_inner_margin_is_wider_on_both_sides(book, tmp_path):
    poppler("pdftoppm", "-gray", "-r", "72", book, tmp_path / "page")
    from PIL import Image

    for number, path in enumerate(sorted(tmp_path.glob("page*")), start=1):
        ink = np.asarray(Image.open(path)) < 200
        across = np.flatnonzero(ink.any(0))
        left, right = across[0], ink.shape[1] - across[-1]
        assert (left > right + 10) if number % 2 else (right > left + 10)


def test_each_hole_is_a_spread(book):
    for number in (1, 2, 3):
        left, _ = page_with(book, f"Hole {number} par")
        right, _ = page_with(book, f"Hole {number}: on foot")
        assert left % 2 == 0
        assert right == left + 1


def test_no_hole_takes_more_than_its_two_pages(book):
    assert not any(p.startswith("Hole ") and "continued" in p[:40] for p in pages_of(book))


def test_running_text_has_at_least_nine_points(book):
    """Sizes of words by poppler; what belongs to drawings, captions and the foot is left out.

    Nine points are the least for reading outdoors; common practice, no source.
    """
    boxes = poppler("pdftotext", "-bbox-layout", book, "-")
    lines = re.findall(r'<line [^>]*yMin="([\d.]+)"[^>]*yMax="([\d.]+)">(.*?)</line>', boxes, re.S)
    sizes = {}
    for low, high, inside in lines:
        text = " ".join(re.findall(r">([^<]+)</word>", inside))
        sizes.setdefault(text, float(high) - float(low))
    sentence = sizes["A hole in a sentence."]
    for start in (
        "Ground: tee", "Saws and felling", "tee, play to the right", "EPSG:32617 4400",
        "Walk this way", "Source:", "Levels thrown", "No work needed",
    ):  # fmt: skip
        size = next(size for text, size in sizes.items() if text.startswith(start))
        assert size == pytest.approx(sentence, abs=0.05), start
    assert sentence >= 9.0 - 0.01  # poppler's boxes of lines are as tall as the size of the font


def test_coordinates_bearings_and_walks_are_those_of_the_layers(book):
    layers = outings.layers()
    to_wgs = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    _, text = page_with(book, "Hole 2 par")
    tee = layers["tee_sites"].set_index("site_id").geometry[102]
    landing = layers["basket_sites"].set_index("site_id").geometry[202]
    ground = layers["tee_sites"].set_index("site_id")["ground_m"][102]
    lon, lat = to_wgs.transform(tee.x, tee.y)
    assert f"T2 {lat:.6f}, {lon:.6f} {ground:.1f} m" in text
    assert f"EPSG:32617 {tee.x:.1f} E {tee.y:.1f} N" in text
    lon1, lat1 = to_wgs.transform(landing.x, landing.y)
    azimuth, _, metres = Geod(ellps="WGS84").inv(lon, lat, lon1, lat1)
    assert f"{azimuth:03.0f}° {metres:.0f} m ({metres / 0.3048:.0f} ft)" in text
    walk = layers["layout_walks"].set_index("to_order").loc[2]
    assert f"on foot {walk['length_m']:.1f} m ({walk['length_ft']:.0f} ft)" in text
    assert f"{walk['minutes']:.1f} min" in text


def test_figures_of_the_throws_are_those_of_the_layer(book):
    _, text = page_with(book, "Hole 2: on foot")
    legs = outings.layers()["legs"].set_index("leg_id")
    for place, number in ((1, 2), (2, 3)):
        leg = legs.loc[number]
        row = (
            f"{place} {leg['length_m']:.1f} m ({leg['length_ft']:.0f} ft) {leg['finish']} "
            f"{_fifth(leg['clear_rate'])} % "
            f"({_fifth(leg['clear_rate_low'])}–{_fifth(leg['clear_rate_high'])}) "
            f"{_fifth(leg['clear_rate_leaf_on'])} % {_fifth(leg['seen_share'])} % "
            f"rise {leg['rise_m']:.2f} m"
        )
        assert re.sub(r"\s", "", row) in re.sub(r"\s", "", text)
        gap = f"gap {leg['pinch_width_m']:.1f} m"
        assert gap in text
        assert f"apex {leg['apex_m']:.2f} m" in text


def _fifth(share: float) -> int:
    """Percent to the nearest five, as the page has them."""
    return 5 * round(share / 0.05)


def test_tee_and_green_are_drawn_large_where_the_page_has_room(book):
    """Of a short list; beside them stand their scale and the step of the contours."""
    for number in (1, 3):
        _, text = page_with(book, f"Hole {number}: on foot")
        for place in (f"Tee T{number}", f"Green B{number}"):
            said = re.search(rf"{place}, 1 : (\d+), contours every ([\d.]+) m", text)
            assert 200 <= int(said[1]) <= 600
            assert 0.1 <= float(said[2]) <= 2
        assert text.index("Verdict") < text.index("Green") < text.index("Notes, and")


def test_where_throws_fail_is_said(book):
    _, text = page_with(book, "Hole 2: on foot")
    leg = outings.layers()["legs"].set_index("leg_id").loc[2]
    assert (
        f"Throw 1: most that fail touch brush, 40.0 m ({leg['fail_at_ft']:.0f} ft) out, "
        f"{leg['fail_height_m']:.1f} m ({leg['fail_height_ft']:.0f} ft) up, "
        f"2.0 m ({-leg['fail_side_ft']:.0f} ft) right of the straight line"
    ) in text


def test_trim_pieces_with_heights_and_hours(book):
    _, text = page_with(book, "Hole 2: on foot")
    assert "Trim work, 0.8–1.5 hours" in text  # 0.5 + 0.25 and 1.0 + 0.5
    assert "Saws and felling maim and kill" in text
    assert "cut 23 m² (248 ft²) of brush" in text
    assert "limbs to 4 m (13 ft)" in text
    assert "thorns" in text
    _, none = page_with(book, "Hole 1: on foot")
    assert "No work needed" in none  # no hours, and nine throws in ten pass
    _, helpless = page_with(book, "Hole 3: on foot")
    assert "No work helps enough" in helpless  # no hours, and one in two


def test_checks_stand_in_walking_order_with_all_their_words(book, drawn):
    whole = text_of(book)
    at = -1
    start = whole.index("in walking order")
    for _, check in drawn.checks.iterrows():
        heading = f"{CHECK}{check['check_id']} {check['kind']} · {check['place']}"
        found = whole.index(heading, start)
        assert found > at
        at = found
    # Lines break at other places in the book than here.
    packed = re.sub(r"\s", "", whole)
    for word in [*drawn.checks["look"], *drawn.checks["why"]]:
        assert re.sub(r"\s", "", word) in packed


def test_layout_table_and_totals(book):
    _, text = page_with(book, "Holes ")
    holes = outings.layers()["layout_holes"].query("proposal == 1")
    for _, hole in holes.iterrows():
        assert f"{hole['play_order']} {hole['par']} {hole['length_m']:.1f}" in text
    assert f"Lengths add up to {holes['length_m'].sum():,.0f} m" in text


def test_cautions_with_their_sources(book):
    whole = text_of(book)
    for _, caution in outings.layers()["cautions"].iterrows():
        assert caution["why"] in whole
        assert f"Source: {caution['source']}" in whole


def test_titles_stay_text(book):
    assert TITLE in text_of(book, 1)
    assert TITLE in poppler("pdfinfo", "-enc", "UTF-8", book)


def test_feet_first(tmp_path):
    write_fieldbook(tmp_path / "a.pdf", book_of(feet_first=True), about_of(paper="half-letter"))
    walk = outings.layers()["layout_walks"].set_index("to_order").loc[2]
    assert f"on foot {walk['length_ft']:.0f} ft ({walk['length_m']:.1f} m)" in text_of(
        tmp_path / "a.pdf"
    )


def test_without_a_layout_holes_are_called_candidates(tmp_path):
    layers = outings.without(outings.layers(), "layout_holes", "layout_walks", "trim_work")
    write_fieldbook(tmp_path / "a.pdf", book_of(layers), about_of(layers))
    text = text_of(tmp_path / "a.pdf")
    assert "No layout stands behind these" in text
    assert "Candidate 1" in text
    assert "No trimming was planned in this run." in text


def test_without_lidar_it_says_so(tmp_path):
    layers = outings.layers()
    unknown = [c for c in layers["legs"] if c.startswith("clear_rate")]
    layers["legs"][[*unknown, "pinch_width_m", "pinch_at_m"]] = np.nan
    layers["legs"]["lane_kind"] = None
    layers = outings.without(layers, "holes", "layout_holes", "layout_walks", "trim_work")
    write_fieldbook(tmp_path / "a.pdf", book_of(layers, lidar=False), about_of(lidar=False))
    text = text_of(tmp_path / "a.pdf")
    assert "elevation model only, no lidar" in text
    assert "what stands on the line is not known" in text
    assert "nan" not in text.lower().split()


def test_a_land_without_lines(tmp_path):
    layers = outings.layers()
    for name in ("legs", "holes", "layout_holes", "layout_walks", "trim_work"):
        layers[name] = layers[name].iloc[:0]
    write_fieldbook(tmp_path / "a.pdf", book_of(layers, start=False), about_of(layers))
    assert "The land holds no line that clears" in text_of(tmp_path / "a.pdf")


def test_equal_drawns_make_equal_files(book, drawn, tmp_path):
    write_fieldbook(tmp_path / "a.pdf", drawn, about_of())
    assert (tmp_path / "a.pdf").read_bytes() == book.read_bytes()


def test_a_place_that_cannot_be_written(drawn, tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(InputError, match="cannot be written"):
        write_fieldbook(tmp_path / "out" / "a.pdf", drawn, about_of())


def test_a_section_cuts_what_was_planted(drawn):
    hole = drawn.outing.holes[1]
    cut = section_of(drawn.data, line_of(hole))
    assert cut.joints[1:] == pytest.approx(
        np.cumsum([np.hypot(90, 20), np.hypot(80, 30)]), abs=1e-9
    )
    # Leg 2 bends from the straight line, but enters the wood near x = 110 and sees the unseen
    # band about x = 130.
    x = np.interp(cut.along, [0, cut.joints[1]], [80, 170])
    first = (cut.along >= 0) & (cut.along <= cut.joints[1])
    unseen = first & (x > 122) & (x < 132)
    wood = first & (x > 118) & ~(first & (x > 114) & (x < 146))
    assert wood.any()
    assert np.isin(cut.codes[wood][:, :7], range(BLOCKING, BUILT)).all()
    assert (cut.codes[wood][:, 9:] == EMPTY).all()
    assert (cut.codes[first & (x < 100)] == EMPTY).all()
    assert (cut.codes[unseen] == UNSEEN).all()
    assert not (cut.codes[first & (x < 110)] == UNSEEN).any()
    tee = outings.ground_at(ORIGIN[0] + 80, ORIGIN[1] + 140)
    assert cut.flights[0][0] == pytest.approx([0.0, tee + 1.4], abs=0.05)
    assert cut.flights[1][0, 0] == pytest.approx(cut.joints[1])
    assert cut.ground_at(0.0) == pytest.approx(tee, abs=0.1)


def test_a_section_shows_where_throws_fail_and_what_is_cut(drawn):
    """Places along the straight lines of the throws, as `fail_at_m` and `along_m` count."""
    hole = drawn.outing.holes[1]
    cut = section_of(drawn.data, line_of(hole))
    assert [fail.along for fail in cut.fails] == pytest.approx([40.0, cut.joints[1] + 30.0])
    first = cut.fails[0]
    assert first.height == pytest.approx(cut.ground_at(40.0) + 1.2, abs=0.01)  # rounded
    pieces = hole.trim
    assert [piece.along for piece in cut.cuts] == pytest.approx(list(pieces["along_m"]))
    assert [piece.high - piece.low for piece in cut.cuts] == pytest.approx(
        list(pieces["high_m"] - pieces["low_m"])
    )
    taken = (cut.codes != EMPTY) & (cut.trimmed == EMPTY)
    for piece in cut.cuts:
        if piece.first is not None:
            inside = (cut.along >= piece.first) & (cut.along <= piece.last)
            taken[inside] = False
    assert not taken.any()  # nothing goes but where a piece stands


def test_views_go_there_and_back():
    hole = book_of().outing.holes[1]
    view = along_play((10, 20, 330, 200), hole)
    places = np.random.default_rng(1).uniform(0, 300, (20, 2)) + ORIGIN
    np.testing.assert_allclose(view.land(view.page(places)), places, atol=1e-6)
    (tx, ty), (bx, by) = view.page([hole.tee.xy, hole.basket.xy])
    assert bx > tx  # play goes to the right
    assert by == pytest.approx(ty)
    # At 1 : n a metre on the ground is 1000 / n mm on paper.
    metres = np.hypot(*np.subtract(hole.basket.xy, hole.tee.xy))
    assert (bx - tx) / 72 * 25.4 == pytest.approx(metres * 1000 / view.scale)


def test_true_north_is_the_convergence_of_the_projection():
    from pyproj import Proj

    place = (440_000.0, 3_800_000.0)
    lon, lat = Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(*place)
    # PROJ gives the angle from true north to grid north; ours goes from grid to true.
    want = -Proj("EPSG:32617").get_factors(lon, lat).meridian_convergence
    assert maps.true_north(UTM, place) == pytest.approx(want, abs=0.01)
