"""How each layer looks, as data; `qml` hands it to QGIS.

Colours keep apart for colour-blind readers: the viridis ramp (Smith and van der Walt 2015, from
memory) for scores, and the palette of Okabe and Ito (2008, from memory) for kinds.
"""

from __future__ import annotations

from lanewright.features.naming import CREEK
from lanewright.publish.symbols import Fill, Line, Mark, Rule, Style, Tag
from lanewright.visit.outing import CHECK

INK = "#1a1a1a"
PAPER = "#ffffff"
_WATER = "#0072b2"
_NEAR = 1250  # thousands of sites are a haze on a map of the whole property
_VIRIDIS = ("#addc30", "#5ec962", "#21918c", "#3b528b", "#440154")  # light to dark: worst to best


def _ramp(what: str, wider: float = 1.0) -> tuple[Rule, ...]:
    """Fifths of a 0-1 column: the better, the darker, wider and more solid.

    Thousands of lines lie over each other; the weak ones stay a haze behind the best.
    """
    edges = (0.0, 0.2, 0.4, 0.6, 0.8, 1.0)
    # Where a thousand good ones cross, wide strokes would run into one blot.
    widths = (0.08, 0.09, 0.1, 0.13, 0.18)
    solid = (0.15, 0.2, 0.25, 0.35, 0.45)
    return tuple(
        Rule(
            f"{what} {low:.1f} to {high:.1f}",
            Line(colour, width * wider, opacity=opacity),
            # The last class holds 1.0 itself.
            between=(low, high if high < 1 else 1.001),
        )
        for low, high, colour, width, opacity in zip(
            edges[:-1], edges[1:], _VIRIDIS, widths, solid, strict=True
        )
    )


_TEE = Mark("square", INK, Line(PAPER, 0.3), size=2.2)
_FROM = Mark("triangle", PAPER, Line(INK, 0.4), size=2.2)
_BASKET = Mark("circle", PAPER, Line(INK, 0.7), size=2.8)

STYLES: tuple[Style, ...] = (
    Style("property", "Outline", (Rule("Property", Fill(None, Line(INK, 0.9))),)),
    Style(
        "features",
        "Kind",
        (
            Rule(
                "fairways, tunnels, gaps, edges",
                Line("#8c2a68", 1.1, casing=0.3),
                also=(("kind", "tunnel|fairway|gap|edge"),),
                tagged=True,
            ),
            Rule(
                "water: carries, peninsulas",
                Line(_WATER, 1.1, casing=0.3, first=_FROM),
                also=(("kind", "carry|peninsula"),),
                tagged=True,
            ),
            Rule(
                "ground: drops, climbs, tees, greens",
                Line("#009e73", 0.8, (2.4, 1.0), casing=0.3, first=_FROM),
                also=(
                    (
                        "kind",
                        "drop|climb|ridge_tee|knoll_tee|bench_green|amphitheatre_green",
                    ),
                ),
                tagged=True,
            ),
            Rule(
                "sights: trees, views",
                Line("#cc79a7", 0.6, (0.8, 0.8), first=_FROM),
                also=(("kind", "specimen_tree|view"),),
                tagged=True,
            ),
        ),
        on_top="-feature_id",
        tag=Tag("feature_id", 8.5, at_start=True, before="F", priority=8),
    ),
    Style(
        "leg_features",
        "Links",
        (Rule("feature that a leg uses", Line("#8c2a68", 0.3, (0.8, 0.8))),),
    ),
    Style(
        "hole_features",
        "Links",
        (Rule("feature that a hole uses", Line("#8c2a68", 0.5, (0.8, 0.8))),),
    ),
    Style(
        "tee_sites",
        "Tee sites",
        (Rule("Tee site", Mark("triangle", INK, Line(PAPER, 0.2), size=2.4)),),
        nearer=_NEAR,
    ),
    Style(
        "basket_sites",
        "Basket sites",
        (Rule("Basket site", Mark("circle", PAPER, Line(INK, 0.5), size=1.8)),),
        nearer=_NEAR,
    ),
    Style(
        "refused_squares",
        "Tees",
        (
            *(
                Rule(
                    f"no tee: {label}",
                    Fill(colour, opacity=0.35),
                    also=(("use", "tee"), ("reason", reasons)),
                )
                for label, colour, reasons in (
                    ("no room among what grows", "#8c2a68", "no room"),
                    ("too steep", "#d55e00", "too steep"),
                    (
                        "off the property or near its line",
                        "#999999",
                        "outside the property|near the property line",
                    ),
                    (
                        "water or wet ground",
                        "#56b4e9",
                        "near water|on likely wet ground|on possibly wet ground",
                    ),
                    ("near a keep-out or building", "#e69f00", "near a keep-out|near a building"),
                    ("not known or not seen", "#cc79a7", "unknown ground|not seen"),
                )
            ),
            Rule(
                "holds a tee",
                Fill("#009e73", opacity=0.35),
                also=(("use", "tee"), ("reason", "none")),
            ),
            Rule(
                "baskets, by the same tests",
                Fill(None, Line("#767676", 0.1), opacity=0.5),
                also=(("use", "basket"),),
            ),
        ),
    ),
    Style("legs", "Score", _ramp("score"), column="score", on_top="score"),
    Style(
        "legs",
        "Clear rate",
        _ramp("clear rate"),
        column="clear_rate",
        on_top="clear_rate",
    ),
    Style(
        "layout_holes",
        "Proposal",
        (
            Rule("third proposal and on", Line("#cc79a7", 0.5, (0.8, 1.2), 0.8), between=(3, 1e6)),
            Rule("second proposal", Line("#d55e00", 0.5, (3.0, 1.2), 0.8), between=(2, 3)),
            Rule(
                "best proposal, numbered at the tee",
                Line(INK, 0.9, casing=0.5, first=_TEE, last=_BASKET),
                between=(0, 2),
                tagged=True,
            ),
        ),
        column="proposal",
        on_top="-proposal",
        tag=Tag("play_order", 11.0, at_start=True, priority=10),
    ),
    Style(
        "layout_holes",
        "Clear rate",
        _ramp("clear rate", 3.0),
        column="clear_rate",
        on_top="clear_rate",
    ),
    Style(
        "designer_holes",
        "Wishes",
        (Rule("holes to edit", Line("#0072b2", 0.8, casing=0.4, first=_TEE, last=_BASKET)),),
    ),
    Style(
        "designer_areas",
        "Wishes",
        (Rule("areas to stay out of", Fill("#d55e00", Line("#d55e00", 0.5), opacity=0.25)),),
    ),
    Style(
        "layout_walks",
        "Proposal",
        (
            Rule("walks of others", Line(_WATER, 0.15, (0.4, 1.6), 0.5), between=(2, 1e6)),
            Rule(
                "walks of the best proposal",
                Line(_WATER, 0.5, (0.5, 1.0), casing=0.3),
                between=(0, 2),
            ),
        ),
        column="proposal",
        on_top="-proposal",
    ),
    Style(
        "layout_neighbours",
        "Margin",
        (
            Rule("less room than asked for", Line("#d55e00", 0.8, (0.6, 0.8)), between=(-1e6, 0)),
            Rule("under 5 m to spare", Line("#e69f00", 0.6, (2.0, 1.0)), between=(0, 5)),
            Rule("more to spare", Line("#009e73", 0.4), between=(5, 1e6)),
        ),
        column="margin_m",
    ),
    Style(
        "first_walk",
        "Visit",
        (
            Rule("walk of a day", Line("#0072b2", 0.4, (1.2, 1.2)), "day"),
            Rule("walk of the short visit", Line("#0072b2", 0.9, casing=0.4), "short"),
        ),
        column="visit",
    ),
    Style(
        "field_checks",
        "Checks",
        (
            Rule(
                "water and soft ground",
                Mark("circle", "#56b4e9", Line(INK, 0.3), size=2.8),
                also=(("kind", "soft ground|water|crossing"),),
                tagged=True,
            ),
            Rule(
                "growth",
                Mark("triangle", "#009e73", Line(INK, 0.3), size=3.0),
                also=(("kind", "not seen|gap|in the way|in leaf"),),
                tagged=True,
            ),
            Rule(
                "wire",
                Mark("square", "#d55e00", Line(INK, 0.5), size=3.0),
                also=(("kind", "wire"),),
                tagged=True,
            ),
            Rule(
                "access, boundary, age of the survey",
                Mark("square", PAPER, Line(INK, 0.4), size=2.6),
                also=(("kind", "access|boundary|survey age"),),
                tagged=True,
            ),
        ),
        tag=Tag("check_id", 7.5, before=CHECK, priority=7),
    ),
    Style(
        "trim_work",
        "Reach",
        (
            Rule(
                "not chosen",
                Fill(None, Line("#767676", 0.15), 0.6),
                also=(("chosen", False),),
            ),
            *(
                Rule(
                    label,
                    Fill(colour, Line(INK, 0.15), 0.85),
                    also=(("chosen", True), ("reach", reach)),
                )
                for label, colour, reach in (
                    ("by hand tools", "#009e73", "hand tools"),
                    ("by pole saw", "#56b4e9", "pole saw"),
                    ("by climber or lift", "#e69f00", "climber or lift"),
                    ("felled by a sawyer", "#d55e00", "sawyer"),
                    ("an arborist's", "#cc79a7", "arborist"),
                )
            ),
        ),
        on_top="chosen",
    ),
    Style(
        "cut_lanes",
        "Lanes to cut",
        (
            Rule(
                "lane to cut, numbered at the tee",
                Line("#d55e00", 0.6, (2.0, 0.8), casing=0.4),
                tagged=True,
            ),
        ),
        tag=Tag("lane_id", 8.0, at_start=True, before="cut ", priority=6),
    ),
    Style(
        "cut_work",
        "Action",
        (
            Rule("cut brush", Fill("#009e73", Line(INK, 0.1), 0.6), "cut brush"),
            Rule("take limbs", Fill("#56b4e9", Line(INK, 0.1), 0.6), "take limbs"),
            Rule("fell tree", Fill("#d55e00", Line(INK, 0.1), 0.6), "fell tree"),
        ),
        column="action",
    ),
    Style("holes", "Score", _ramp("score", 1.3), column="score", on_top="score"),
    Style(
        "holes",
        "Route",
        (
            Rule("safe route", Line("#009e73", 0.5), "safe"),
            Rule("bold route", Line("#d55e00", 0.6, (3.0, 1.2)), "bold"),
        ),
        column="route",
    ),
    Style(
        "hole_positions",
        "Tees and pins",
        (
            Rule("tee for another level", Mark("triangle", "#56b4e9", Line(INK, 0.2)), "tee"),
            Rule("other pin", Mark("circle", "#f0e442", Line(INK, 0.2)), "pin"),
        ),
        column="position",
        nearer=_NEAR,
    ),
    Style(
        "keep_out_lines",
        "Lines of keep-outs",
        (Rule("road or other line, as drawn", Line("#777777", 0.9), tagged=True),),
        tag=Tag("name", 8.0),
    ),
    Style(
        "buildings",
        "Buildings",
        (Rule("building, from the lidar", Fill("#4d4b45", Line(INK, 0.2))),),
    ),
    Style(
        "wires",
        "Overhead wires",
        (Rule("wire in the lidar; more may hang", Line(INK, 0.4, (3.0, 0.8, 0.5, 0.8))),),
    ),
    Style(
        "lanes",
        "Kind",
        (
            Rule("open", Line("#e69f00", 0.5, (0.6, 1.2)), "open"),
            Rule("edge", Line("#cc79a7", 0.5, (3.0, 1.0, 0.6, 1.0)), "edge"),
            Rule("lane", Line("#d55e00", 0.6, (3.0, 1.2)), "lane"),
            Rule("tunnel (roofed by canopy)", Line("#8c2a68", 0.9), "tunnel"),
        ),
        column="kind",
    ),
    Style(
        "ranked",
        "Worth",
        tuple(
            Rule(
                f"worth {low:.1f} to {low + 0.2:.1f}",
                Fill(colour, Line(INK, 0.3), opacity=0.7),
                between=(low, low + 0.2 if low < 0.8 else 1.001),
                tagged=True,
            )
            for low, colour in zip((0.0, 0.2, 0.4, 0.6, 0.8), _VIRIDIS, strict=True)
        ),
        column="worth",
        tag=Tag("rank"),
    ),
    Style(
        "changes",
        "What changed",
        (
            Rule("canopy lost", Fill("#d55e00", Line("#8c2a68", 0.3), opacity=0.5), "canopy lost"),
            Rule(
                "canopy gained", Fill("#009e73", Line("#00553e", 0.3), opacity=0.4), "canopy gained"
            ),
            Rule(
                "ground raised",
                Fill("#e69f00", Line("#8a5f00", 0.3), hatch=(45, 1.5)),
                "ground raised",
            ),
            Rule(
                "ground lowered",
                Fill("#56b4e9", Line("#1d5f8a", 0.3), hatch=(135, 1.5)),
                "ground lowered",
            ),
            Rule(
                "new building", Fill("#000000", Line("#000000", 0.3), opacity=0.6), "new building"
            ),
            Rule("building gone", Fill(None, Line("#000000", 0.5, (1.0, 1.0))), "building gone"),
        ),
        column="kind",
    ),
    Style(
        "lane_changes",
        "Lanes since the earlier survey",
        (
            Rule("opened", Line("#009e73", 0.9), "opened"),
            Rule("wider", Line("#009e73", 0.5, (3.0, 1.2)), "wider"),
            Rule("as before", Line("#777777", 0.4), "as before"),
            Rule("narrower", Line("#d55e00", 0.5, (3.0, 1.2)), "narrower"),
            Rule("closed", Line("#d55e00", 0.9, (0.6, 1.2)), "closed"),
        ),
        column="state",
    ),
    Style(
        "openings",
        "Openings",
        (Rule("Opening", Fill("#f0e442", Line("#a89f1d", 0.2), opacity=0.3)),),
    ),
    Style(
        "trees",
        "Crowns",
        (
            Rule(
                "Tree, as wide as its crown",
                Mark(
                    "circle", "#009e73", Line("#00553e", 0.1), size_column="crown_m", opacity=0.25
                ),
            ),
        ),
    ),
    Style("water", "Water", (Rule("Water", Fill("#9fd3ee", Line(_WATER, 0.3), opacity=0.8)),)),
    Style(
        "wet_ground",
        "Wet ground",
        (Rule("Wet ground", Fill("#56b4e9", Line("#56b4e9", 0.15), hatch=(45.0, 1.4))),),
    ),
    Style(
        "drainage",
        "Drainage lines",
        (
            Rule("creek", Line(_WATER, 0.6), between=(CREEK, 1e9)),
            Rule("drainage line", Line(_WATER, 0.2), between=(0, CREEK)),
        ),
        column="upslope_ha",
    ),
    Style(
        "keep_out",
        "Keep-outs",
        (Rule("nobody throws over it or enters", Fill(None, Line(INK, 0.6, (1.2, 0.8)))),),
    ),
    Style(
        "cautions",
        "Cautions",
        (Rule("Caution holds inside", Fill(None, Line("#d55e00", 0.4, (0.4, 1.6)))),),
    ),
)


def styles_of(layer: str) -> tuple[Style, ...]:
    """Return the styles of a layer, the default first."""
    return tuple(style for style in STYLES if style.layer == layer)
