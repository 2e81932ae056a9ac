"""The page driven as a reader drives it, in headless Chromium; skips where there is none."""

import re
from pathlib import Path

import numpy as np
import pytest
import rasterio
from rasterio.windows import Window

from lanewright.publish.report.page import build_report
from publish.browser import axe_script, browsing, opened
from publish.findings import made

PHONE = 360


@pytest.fixture(scope="module")
def file(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(build_report(made(name="A <script>alert(1)</script> land").found), "utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    with browsing() as browser:
        yield browser


@pytest.fixture
def desk(file, browser):
    with opened(file, browser) as watched:
        yield watched
        assert watched.errors == []
        assert watched.requests == []


def box_of(page, selector):
    return page.locator(selector).first.bounding_box()


def test_it_opens_with_nothing_to_complain_of(desk):
    assert desk.page.title().startswith("A <script>alert(1)</script> land")
    assert desk.page.locator("h1").inner_text() == "A <script>alert(1)</script> land"
    assert desk.page.locator(".card").count() == 4


def test_layers_switch(desk):
    page = desk.page
    trees = page.locator('g[data-layer="trees"]')
    assert not trees.is_visible()
    page.get_by_label("Trees, crowns to scale").check()
    assert trees.is_visible()
    page.get_by_label("Trees, crowns to scale").uncheck()
    assert not trees.is_visible()
    canopy = page.locator('#map-svg use.surface[data-layer="canopy_height"]')
    slope = page.locator('#map-svg use.surface[data-layer="slope"]')
    assert canopy.get_attribute("hidden") is None
    page.get_by_label("Slope", exact=True).check()
    assert slope.get_attribute("hidden") is None
    assert canopy.get_attribute("hidden") is not None
    assert page.locator('[data-legend="slope"]').is_visible()
    second = page.locator('g[data-proposal="proposal-2"]')
    assert not second.is_visible()
    page.get_by_role("radio", name="Proposal 2").check()
    assert second.is_visible()
    assert not page.locator('g[data-proposal="proposal-1"]').is_visible()


def test_the_map_zooms_and_moves_by_buttons_keys_and_pointer(desk):
    page = desk.page

    def view():
        return [float(v) for v in page.locator("#map-svg").get_attribute("viewBox").split()]

    start = view()
    page.get_by_role("button", name="Zoom in").click()
    assert view()[2] == pytest.approx(start[2] * 0.62, rel=0.01)
    page.locator("#map-window").focus()
    page.keyboard.press("ArrowRight")
    assert view()[0] > start[0]
    page.keyboard.press("0")
    assert view() == pytest.approx(start, abs=0.02)
    page.locator("#map-window").scroll_into_view_if_needed()
    box = box_of(page, "#map-window")
    x, y = box["x"] + box["width"] * 0.7, box["y"] + box["height"] * 0.15
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 100, y, steps=4)
    page.mouse.up()
    scale = start[2] / box["width"]
    assert view()[0] - start[0] == pytest.approx(100 * scale, rel=0.1)


def test_the_map_reads_the_ground_by_pointer_finger_and_keys(demo, browser):
    """As the published rasters have it there, in the place that the map's own view gives."""
    rasters = {n: rasterio.open(demo / f"rasters/{n}.tif") for n in ("ground", "slope")}
    canopy = rasterio.open(demo / "rasters/canopy_height.tif")
    with opened(demo / "report.html", browser) as watched:
        page, said = watched.page, watched.page.locator("#map-value")
        box = box_of(page, "#map-window")
        assert said.inner_text() == ""
        held = 0
        for x, y in ((0.3, 0.5), (0.5, 0.7), (0.45, 0.3), (0.7, 0.5)):
            px, py = round(x * box["width"]), round(y * box["height"])
            page.mouse.move(box["x"] + px, box["y"] + py)
            page.wait_for_function("document.querySelector('#map-value').textContent != ''")
            page.wait_for_timeout(100)
            text = said.inner_text().replace("\u202f", " ")
            view = [float(v) for v in page.locator("#map-svg").get_attribute("viewBox").split()]
            at = np.array([view[0] + view[2] * px / box["width"],
                           view[1] + view[3] * py / box["height"]])  # fmt: skip
            near = {n: around(raster, at) for n, raster in rasters.items()}
            ground, feet = (float(v) for v in re.search(r"([\d.]+) m \((\d+) ft", text).groups())
            assert near["ground"].min() - 0.06 <= ground <= near["ground"].max() + 0.06
            assert feet == pytest.approx(ground / 0.3048, abs=0.51)
            slope = int(re.search(r"slope (\d+) %", text)[1])
            assert near["slope"].min() - 0.6 <= slope <= near["slope"].max() + 0.6
            found = re.search(r"canopy (\d+) m", text)
            high = float(found[1]) if found else 0.0
            trees = around(canopy, at)
            assert trees.min() - 0.7 <= high <= trees.max() + 0.7
            held += 1
        assert held == 4
        page.mouse.move(5, 5)
        assert said.inner_text() == ""
        page.locator("#map-window").focus()
        page.keyboard.press("ArrowLeft")
        page.wait_for_function("document.querySelector('#map-value').textContent != ''")
        assert page.locator("#map-cross").is_visible()
        assert said.get_attribute("aria-live") == "polite"
        assert watched.errors == []


def around(raster, at):
    """Values of a raster within 3 m of a place, in metres from its top left: the page's grid is
    coarser than the raster's, and shows the value of a place in the middle of each square."""
    cell = raster.transform.a
    col, row = (int(v // cell) for v in at)
    reach = int(np.ceil(3 / cell))
    window = Window(col - reach, row - reach, 2 * reach + 1, 2 * reach + 1)
    return np.nan_to_num(raster.read(1, window=window))


def test_the_scale_bar_is_as_long_as_it_says(desk):
    page = desk.page
    for _ in range(2):
        wide = float(page.locator("#map-svg").get_attribute("viewBox").split()[2])
        pixels = box_of(page, "#map-svg")["width"]
        for unit, size in (("m", 1.0), ("ft", 0.3048)):
            bar = page.locator(f"#map-scale [data-unit={unit}]")
            said = float(bar.inner_text().split()[0])
            drawn = float(bar.evaluate("e => parseFloat(e.style.width)")) * wide / pixels
            assert drawn == pytest.approx(said * size, rel=0.01)
        page.get_by_role("button", name="Zoom in").click()


def test_a_hole_leads_to_its_card_and_back(desk):
    page = desk.page
    link = page.locator('g[data-proposal="proposal-1"] a.hole').first
    key = link.get_attribute("data-key")
    link.focus()
    page.keyboard.press("Enter")
    page.wait_for_function("key => document.activeElement.id === key", arg=key)
    assert page.url.endswith(f"#{key}")
    page.locator(f"#{key} [data-show]").click()
    page.wait_for_function("key => (document.activeElement.dataset || {}).key === key", arg=key)
    assert "shown" in page.locator(f'a.hole[data-key="{key}"]').first.get_attribute("class")
    wide = float(page.locator("#map-svg").get_attribute("viewBox").split()[2])
    assert wide < 400  # the hole, not the whole land


def test_a_click_on_a_hole_on_the_map_leads_to_its_card(desk):
    page = desk.page
    page.locator("#map").scroll_into_view_if_needed()
    link = page.locator('g[data-proposal="proposal-1"] a.hole').first
    basket = link.locator(".sign.basket").bounding_box()
    page.mouse.click(basket["x"] + basket["width"] / 2, basket["y"] + basket["height"] / 2)
    page.wait_for_function("() => location.hash.startsWith('#hole-')")


def test_tables_sort_by_their_headings(desk):
    page = desk.page
    table = page.locator("#table-1")

    def column(i):
        return [float(v) for v in table.locator(f"tbody tr > :nth-child({i})").evaluate_all(
            "cells => cells.map(c => c.dataset.value)")]  # fmt: skip

    assert column(1) == [1, 2, 3]
    heading = table.locator("thead th").nth(2)
    heading.get_by_role("button").click()
    assert column(3) == sorted(column(3))
    assert heading.get_attribute("aria-sort") == "ascending"
    heading.get_by_role("button").press("Enter")
    assert column(3) == sorted(column(3), reverse=True)
    assert heading.get_attribute("aria-sort") == "descending"
    assert table.locator("thead th").nth(0).get_attribute("aria-sort") is None


def test_a_hole_turns_in_space(desk):
    page = desk.page
    button = page.locator(".open-space").first
    assert page.evaluate("typeof window.Plotly") == "undefined"  # not before somebody asks
    button.click()
    page.wait_for_function("() => document.querySelector('.space-window .gl-container canvas, "
                           ".space-window canvas')", timeout=120_000)  # fmt: skip
    kinds = page.evaluate("document.querySelector('.space-window').data.map(t => t.type)")
    assert kinds[0] == "surface"
    assert kinds.count("scatter3d") >= 2
    eye = "JSON.stringify(document.querySelector('.space-window')._fullLayout.scene.camera.eye)"
    before = page.evaluate(eye)
    page.locator(".space-window").first.scroll_into_view_if_needed()
    box = box_of(page, ".space-window")
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2 + 120, box["y"] + box["height"] / 2 + 20, steps=6)
    page.mouse.up()
    page.wait_for_function(f"before => {eye} !== before", arg=before)
    assert button.get_attribute("aria-expanded") == "true"
    assert_views_of_a_hole(page)
    button.click()
    assert not page.locator(".space-window").first.is_visible()


def assert_views_of_a_hole(page):
    """Of a throw of 90 m over level ground: a slice 6 m deep, a person at the tee, an eye there."""
    space = "document.querySelector('.space-window')"
    scene = f"{space}._fullLayout.scene"
    traces = page.evaluate(f"{space}.data.map(t => [t.name, t.x, t.y, t.z])")
    (figure,) = (t for t in traces if t[0].startswith("person"))
    feet_of, top = (f([z for z in figure[3] if z is not None]) for f in (min, max))
    assert top - feet_of == pytest.approx(1.75)
    flight = next(t for t in traces if t[0] == "throw 1")
    assert flight[1][-1] - flight[1][0] == pytest.approx(90, abs=0.2)  # along the throw, whatever
    assert max(map(abs, flight[2])) < 0.2  # its bearing; none to the side
    assert abs(figure[1][0] - flight[1][0]) < 0.2
    page.get_by_role("button", name="Slice from the side").click()
    page.wait_for_function(f"{scene}.camera.projection.type === 'orthographic'")
    page.wait_for_function(f"{scene}.yaxis.range[1] < 4")
    low, high = page.evaluate(f"{scene}.yaxis.range")
    assert (low, high) == pytest.approx((-3, 3), abs=0.3)
    beside = page.evaluate(f"{space}.data.find(t => t.name === 'growth').y")
    assert len(beside)
    assert max(map(abs, beside)) <= high + 1e-6
    assert page.evaluate(f"{scene}.xaxis.ticktext")[1].endswith("ft)")
    assert "along" in page.evaluate(f"{scene}.xaxis.title.text")
    page.get_by_role("button", name="From the tee").click()
    page.wait_for_function(f"{scene}.camera.projection.type === 'perspective'")
    eye, center = page.evaluate(f"[{scene}.camera.eye, {scene}.camera.center]")
    assert eye["x"] < center["x"]  # looking along the throw, from behind the tee
    (x0, x1), aspect = page.evaluate(f"[{scene}.xaxis.range, {scene}.aspectratio.x]")
    stands = (x0 + x1) / 2 + eye["x"] * (x1 - x0) / aspect
    assert -12 < stands - flight[1][0] < -4


def test_a_phone_scrolls_down_only(file, browser):
    with opened(file, browser, PHONE, 740) as watched:
        page = watched.page
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE
        too_wide = page.evaluate(
            "wide => [...document.querySelectorAll('body *')].filter(e => "
            "e.getBoundingClientRect().right > wide + 1 && "
            "!e.closest('.scroll, .sheetscroll, svg, .mapwindow'))"
            ".map(e => e.outerHTML.slice(0, 80))",
            PHONE,
        )
        assert too_wide == []
        assert (
            page.evaluate(
                "Math.min(...[...document.querySelectorAll('p, td, th, dd, li, label, figcaption')]"
                ".filter(e => e.offsetParent).map(e => parseFloat(getComputedStyle(e).fontSize)))"
            )
            >= 11
        )
        assert watched.errors == []


def test_letters_in_drawings_stay_readable_on_a_phone(file, browser):
    with opened(file, browser, PHONE, 740) as watched:
        heights = watched.page.evaluate(
            "[...document.querySelectorAll('.drawing text')].filter(t => t.checkVisibility())"
            ".map(t => t.getBoundingClientRect().height)"
        )
        assert min(heights) >= 10


def test_on_a_phone_the_map_is_in_the_first_screen_and_drawings_fit(file, browser):
    with opened(file, browser, PHONE, 740) as watched:
        page = watched.page
        box = box_of(page, "#map-window")
        assert box["y"] < 200
        assert box["y"] + box["height"] <= 740
        assert page.locator("#legend").get_attribute("open") is None
        for which in ("plan", "side"):
            box = box_of(page, f"#hole-1 svg.{which}")
            assert box["width"] <= 343
            assert box["x"] >= 0


def test_a_folded_card_is_short_and_later_proposals_are_folded(desk):
    """18 cards of half a screen, with all around them, stay below 25 screens."""
    page = desk.page
    heights = page.locator("#cards > .card").evaluate_all(
        "cards => cards.map(c => c.getBoundingClientRect().height)"
    )
    assert len(heights) == 3  # the holes of proposal 1
    assert max(heights) <= 450
    assert not page.locator("details.group .card").first.is_visible()
    first = page.locator("details.group .card").first.get_attribute("id")
    page.goto(page.url.split("#")[0] + f"#{first}")
    page.wait_for_function("id => document.getElementById(id).checkVisibility()", arg=first)


def test_the_first_screen_holds_map_three_lines_and_flight_date(desk):
    page = desk.page
    box = box_of(page, "#map-window")
    assert box["y"] + box["height"] <= 900
    assert box_of(page, "#first")["y"] + box_of(page, "#first")["height"] <= 900
    assert page.locator("#first dd").count() == 3
    assert "2021-03-17" in page.locator("#map-window .flown").inner_text()


def test_without_script_all_is_there_to_read(file, browser):
    page = browser.new_context(java_script_enabled=False).new_page()
    page.goto(file.as_uri())
    assert page.locator("#map-svg a.hole").first.is_visible()
    assert page.locator("#hole-1 svg.side").first.is_visible()


def test_it_prints(file, browser, tmp_path):
    with opened(file, browser) as watched:
        watched.page.pdf(path=tmp_path / "report.pdf", format="A4", prefer_css_page_size=True)
        assert watched.errors == []
    data = (tmp_path / "report.pdf").read_bytes()
    assert data.startswith(b"%PDF-")
    pages = data.count(b"/Type /Page\n") + data.count(b"/Type /Page/") + data.count(b"/Type /Page ")
    assert 5 <= pages <= 40


def test_all_of_it_is_reached_by_keyboard(desk):
    """Every link, button, input and scrolling part takes the focus, and shows that it has it."""
    page = desk.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    assert (
        page.evaluate(
            "[...document.querySelectorAll('main [tabindex=\"0\"], main button, main input')]"
            ".filter(e => !e.closest('[hidden], details:not([open])') && e.tabIndex < 0).length"
        )
        == 0
    )
    page.locator("#map-window").focus()
    page.keyboard.press("Tab")
    outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"


@pytest.mark.parametrize("width", [1280, PHONE])
def test_the_accessibility_checker_finds_no_serious_fault(file, browser, width, request):
    script = axe_script(request.config.cache.mkdir("axe-core"))
    with opened(file, browser, width) as watched:
        page = watched.page
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
        page.evaluate(script)
        found = page.evaluate("axe.run(document, { resultTypes: ['violations'] })")
        assert found["testEngine"]["version"] == "4.14.1"
        faults = [
            f"{v['id']} ({v['impact']}): {[n['target'] for n in v['nodes']][:4]} "
            f"{v['nodes'][0]['failureSummary'][:300]}"
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert faults == []


MET = """() => {
  const met = [];
  for (const svg of document.querySelectorAll("svg.drawing")) {
    const boxes = [...svg.querySelectorAll("text")]
      .filter(t => getComputedStyle(t).visibility === "visible")
      .map(t => [t.textContent, t.getBoundingClientRect()]).filter(([, b]) => b.width);
    boxes.forEach(([a, p], i) => boxes.slice(i + 1).forEach(([b, q]) => {
      if (p.left < q.right && q.left < p.right && p.top < q.bottom && q.top < p.bottom)
        met.push(`${svg.closest("article").id}: ${a.trim()} / ${b.trim()}`);
    }));
  }
  return met;
}"""
"""Pairs of labels of one drawing whose boxes meet, as Chromium lays them out."""


@pytest.mark.parametrize("width", [1280, 768, PHONE])
def test_labels_of_drawings_never_touch(demo, browser, width):
    with opened(demo / "report.html", browser, width) as watched:
        watched.page.wait_for_timeout(300)
        assert watched.page.locator("svg.side text").count() > 30
        assert watched.page.evaluate(MET) == []


ON_MAP = """() => {
  const svg = document.querySelector("#map-svg"), met = [];
  const seen = e => e.getBoundingClientRect().width > 0
    && e.checkVisibility({visibilityProperty: true});
  const heights = [...svg.querySelectorAll("text.height")].filter(seen);
  const others = [...svg.querySelectorAll("rect.plate, .feature-plate, text.height")].filter(seen);
  for (const h of heights) for (const o of others) {
    const p = h.getBoundingClientRect(), q = o.getBoundingClientRect();
    if (h !== o && p.left < q.right && q.left < p.right && p.top < q.bottom && q.top < p.bottom)
      met.push(`${h.textContent} / ${o.textContent || o.className.baseVal}`);
  }
  return [heights.length, met];
}"""
"""Heights of contours on the map, and those that lie on a number or on another."""


PLATES = """() => {
  const svg = document.querySelector("#map-svg"), met = [];
  const seen = e => e.getBoundingClientRect().width > 0 && e.checkVisibility();
  const marks = svg.querySelectorAll(".tag:not(.dot) :is(rect, circle), .arrival");
  const plates = [...marks].filter(seen);
  plates.forEach((p, i) => plates.slice(i + 1).forEach(q => {
    const a = p.getBoundingClientRect(), b = q.getBoundingClientRect();
    if (a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom)
      met.push(`${p.parentNode.textContent} / ${q.parentNode.textContent}`);
  }));
  const holes = plates.filter(p => p.matches("rect")).length;
  const dots = svg.querySelectorAll(".tag.dot");
  return [holes, plates.length + dots.length, met];
}"""
"""Numbers of holes and everything numbered on the map, and pairs that lie on one another."""


@pytest.mark.parametrize("width", [1280, 768, 360])
def test_nothing_numbered_on_the_map_lies_on_another(demo, browser, width):
    """Also after zooming in, where features that had no room get their numbers."""
    with opened(demo / "report.html", browser, width) as watched:
        watched.page.wait_for_timeout(300)
        holes, every, met = watched.page.evaluate(PLATES)
        assert (holes, every) == (18, 18 + 15 + 1)  # holes, features, the arrival
        assert met == []
        for _ in range(3):
            watched.page.click("[data-map=in]")
        watched.page.wait_for_timeout(200)
        assert watched.page.evaluate(PLATES)[2] == []
        assert watched.page.locator(".tag.dot").count() == 0


@pytest.mark.parametrize("width", [1280, 768])
def test_heights_on_the_map_lie_on_no_number(demo, browser, width):
    with opened(demo / "report.html", browser, width) as watched:
        watched.page.wait_for_timeout(300)
        count, met = watched.page.evaluate(ON_MAP)
        assert count >= 2  # where three rounds leave room for one
        assert met == []
