"""Bad configurations: YAML that is none, that never ends, that means something else."""

from __future__ import annotations

import json
from typing import Any

import yaml

from . import good
from .case import EITHER, REFUSED, WORKS, Case

GOOD = yaml.safe_dump(good.settings())


def _of(name: str, text: str | bytes, ends: str = REFUSED, *says: str) -> Case:
    return Case("yaml", name, lambda folder: text, ends, says)


def _key(title: str, ends: str = REFUSED, *says: str, **changes: Any) -> Case:
    return Case("yaml", title, lambda folder: changes, ends, says)


def _bomb(levels: int, width: int) -> str:
    lines = ["a0: &a0 [x, x]"]
    for k in range(1, levels):
        lines.append(f"a{k}: &a{k} [{', '.join([f'*a{k - 1}'] * width)}]")
    return "\n".join([GOOD, *lines, f"points: *a{levels - 1}\n"])


def _merge_bomb(levels: int) -> str:
    lines = ["a0: &a0 {x: 1}"]
    for k in range(1, levels):
        lines.append(f"a{k}: &a{k} {{<<: [{', '.join([f'*a{k - 1}'] * 9)}], k{k}: 1}}")
    return "\n".join([GOOD, *lines]) + "\n"


def every() -> list[Case]:
    """Faults of the document, of its keys and of its values."""
    return [*_documents(), *_titles(), *_values(), *_paths()]


def _documents() -> list[Case]:
    out = "out: out\n"
    return [
        _of("untouched", GOOD, WORKS),
        _of("with a mark at its front", "\ufeff" + GOOD, WORKS),
        _of("with Windows line ends", GOOD.replace("\n", "\r\n"), WORKS),
        _of("in JSON", json.dumps(good.settings()), WORKS),
        _of("UTF-16", GOOD.encode("utf-16"), EITHER),
        _of("empty", ""),
        _of("comment only", "# nothing\n"),
        _of("a word", "hello"),
        _of("a list", "- a\n- b\n"),
        _of("a number", "7"),
        _of("null", "null"),
        _of("two documents", GOOD + "---\n" + GOOD),
        _of("three dots and noise", GOOD + "...\n\x01\x02"),
        _of("noise", bytes(range(256)) * 20),
        _of("latin-1", (GOOD + "# é\n").encode("latin-1")),
        _of("NUL in the text", GOOD.replace("case", "ca\0se")),
        _of("NUL escaped", GOOD.replace("name: case", 'name: "ca\\0se"')),
        _of("tabs for indents", GOOD + "legs:\n\tkeep: 3\n"),
        _of("brackets never closed", GOOD + "levels: [blue,\n"),
        _of("quote never closed", GOOD + 'field: "\n'),
        _of("key twice", GOOD + "name: other\n", REFUSED, "name"),
        _of(
            "key twice, deep",
            GOOD + "legs:\n  sites:\n    spacing: 5\n    spacing: 6\n",
            REFUSED,
            "spacing",
        ),
        _of("section twice", GOOD + "legs: {keep: 3}\nlegs: {keep: 4}\n", REFUSED, "legs"),
        _of("key twice in a flow", GOOD + "legs: {keep: 3, keep: 4}\n", REFUSED, "keep"),
        _of("key twice, once quoted", GOOD + '"name": other\n', REFUSED, "name"),
        _of("alias bomb", _bomb(9, 9)),
        _of("alias bomb, deeper", _bomb(30, 9)),
        _of("merge bomb", _merge_bomb(9)),
        _of("merge bomb, deeper", _merge_bomb(30)),
        _of("an anchor within itself", GOOD + "legs: &a {keep: *a}\n"),
        _of("an anchor that is not there", GOOD + "legs: *b\n"),
        _of(
            "one alias, well meant",
            GOOD.replace("levels:\n- green", "levels: &b [green]")
            + "layout: {mix: {left: &s 0.2, right: *s}}\n",
            WORKS,
        ),
        _of("nested 100,000 deep", "a: " + "[" * 100_000),
        _of("nested 5,000 deep", GOOD + "legs: " + "[" * 5000 + "]" * 5000 + "\n"),
        _of("nested 300 deep", GOOD + "legs: " + "{a: " * 300 + "1" + "}" * 300 + "\n"),
        _of(
            "nested deep by indents",
            GOOD + "legs:\n" + "".join(" " * k + "a:\n" for k in range(1, 2000)),
        ),
        _of("10 MB of comments", GOOD + "# x\n" * 2_500_000),
        _of("100,000 keys", GOOD + "".join(f"k{k}: 1\n" for k in range(100_000))),
        _of("2,000 unknown keys", GOOD + "".join(f"k{k}: 1\n" for k in range(2000))),
        _of("key of 20,000 characters", GOOD + "x" * 20_000 + ": 1\n"),
        _of("key a list", GOOD + "? [a, b]\n: 1\n"),
        _of("key a mapping", GOOD + "? {a: b}\n: 1\n"),
        _of("key a number", GOOD + "7: 1\n"),
        _of("key null", GOOD + "null: 1\n"),
        _of("key a date", GOOD + "2026-01-01: 1\n"),
        _of("key not a number", GOOD + ".nan: 1\n"),
        _of("key with escapes", GOOD + '"\\x1b[31mred": 1\n'),
        _of("python object", GOOD + "legs: !!python/object/apply:os.system [ls]\n"),
        _of("python name", GOOD + "legs: !!python/name:os.system\n"),
        _of("unknown tag", GOOD + "legs: !shed {keep: 3}\n"),
        _of("tagged binary", GOOD + "legs: !!binary aGVsbG8=\n"),
        _of("tagged set", GOOD + "levels: !!set {blue, red}\n"),
        _of("tagged omap", GOOD + "legs: !!omap [keep: 3]\n"),
        _of("tagged int, words", GOOD + "holes: !!int many\n"),
        _of("tagged float, words", GOOD + "holes: !!float many\n"),
        _of("tagged timestamp, words", GOOD + "field: {visit: !!timestamp soon}\n"),
        _of("tagged null with text", GOOD + "legs: !!null text\n", EITHER),
        _of("tagged bool, words", GOOD + "legs: {sites: {wet: !!bool maybe}}\n"),
        _of("base-60 number", GOOD + "holes: 1:30\n"),
        _of("base-60 of many digits", GOOD + "holes: " + ":".join(["59"] * 2000) + "\n"),
        _of("5,000 digits", GOOD + "holes: " + "9" * 5000 + "\n"),
        _of("5,000 digits in a float", GOOD + "ingest: {context: " + "9" * 5000 + ".0}\n"),
        _of("hexadecimal of 100,000 digits", GOOD + "holes: 0x" + "f" * 100_000 + "\n"),
        _of("binary of 100,000 digits", GOOD + "holes: 0b" + "1" * 100_000 + "\n"),
        _of("5,000 digits in a list", GOOD + "arrival: [" + "9" * 5000 + ", 1]\n"),
        _of("class of 5,000 digits", GOOD + f"ingest: {{left_out_classes: [{'1' * 5000}]}}\n"),
        _of("day 2026-02-30", GOOD + "field: {visit: 2026-02-30}\n"),
        _of("day 2026-13-01", GOOD + "field: {visit: 2026-13-01}\n"),
        _of("day 0000-00-00", GOOD + "field: {visit: 0000-00-00}\n"),
        _of("time of day 25:00", GOOD + "field: {visit: 2026-01-01 25:00:00}\n"),
        _of("year 99999", GOOD + "field: {visit: 99999-01-01}\n"),
        _of("a day nobody reads", GOOD + "flight: {hand: 2026-99-99}\n"),
        _of("time zone of 99 hours", GOOD + "field: {visit: 2026-01-01T00:00:00+99:99}\n"),
        _of("out given twice by merge", out + "base: &b {name: x}\n<<: *b\npoints: [a.laz]\n"),
    ]


def _titles() -> list[Case]:
    return [
        _key("title empty", name=""),
        _key("title of spaces", name="   "),
        _key("title of 20,000 characters", name="x" * 20_000),
        _key("title with NUL", REFUSED, "name", name="a\0b"),
        _key("title with line breaks", REFUSED, "name", name="a\nb\r\nc"),
        _key("title with escapes", REFUSED, "name", name="\x1b[31mred"),
        _key("title with half a character", name="\ud800"),
        _key("title with direction marks", REFUSED, "name", name="a\u202eb"),
        _key("title in Chinese", WORKS, name="空地树林"),
        _key("title in Arabic", WORKS, name="غابة"),
        _key("title with emoji", WORKS, name="Wood 🌳"),
        _key("title with brackets", WORKS, name="[bold]Wood[/bold] {x} %s"),
        _key("title a number", name=7),
        _key("title a list", name=["a"]),
        _key("title a formula", WORKS, name="=1+1"),
        _key("title a path", WORKS, name="../../etc/passwd"),
        _key("title with markup", WORKS, name="<script>alert(1)</script>"),
    ]


def _values() -> list[Case]:
    nan, inf = float("nan"), float("inf")
    return [
        _key("holes 0", holes=0),
        _key("holes below 0", holes=-3),
        _key("holes 73", holes=73),
        _key("holes NaN", holes=nan),
        _key("holes infinite", holes=inf),
        _key("holes 1e300", holes=1e300),
        _key("holes 18.5", holes=18.5),
        _key("holes true", holes=True),
        _key("holes in words", holes="many"),
        _key("holes a mapping", holes={}),
        _key("levels empty", levels=[]),
        _key("levels a number", levels=3),
        _key("levels unknown", levels=["mauve"]),
        _key("level with NUL", levels=["a\0"]),
        _key("level of 20,000 characters", levels=["x" * 20_000]),
        _key("100,000 levels", levels=["blue"] * 100_000),
        _key("level null", levels=["blue", {}]),
        _key("layout level unknown", layout={"level": "mauve"}),
        _key("layout level nobody plays", layout={"level": "gold"}, ends=EITHER),
        _key("leaf_state unknown word", leaf_state="half"),
        _key("leaf_state a number", leaf_state=1),
        _key("units furlongs", units="furlongs"),
        _key("arrival one number", arrival=[1]),
        _key("arrival three", arrival=[1, 2, 3]),
        _key("arrival NaN", arrival=[nan, 1.0]),
        _key("arrival infinite", arrival=[inf, 1.0]),
        _key("arrival far off", arrival=[0.0, 0.0]),
        _key("arrival in words", arrival=["here", "there"]),
        _key("arrival 1e300", arrival=[1e300, 1e300]),
        _key("arrival in degrees", arrival=[-87.0, 39.7]),
        _key("arrival on the land", WORKS, arrival=[good.LEFT + 50, good.BOTTOM + 50]),
        _key("cell 0", ingest={"cell": 0}),
        _key("cell subnormal", ingest={"cell": 5e-324}),
        _key("cell 1e-9", ingest={"cell": 1e-9}),
        _key("cell 1 cm", ingest={"cell": 0.01}),
        _key("cell 1e300", ingest={"cell": 1e300}),
        _key("cell 500 m", ingest={"cell": 500.0}),
        _key("cell NaN", ingest={"cell": nan}),
        _key("cell in words", ingest={"cell": "fine"}),
        _key("context 1e12", ingest={"context": 1e12}),
        _key("context 1e300", ingest={"context": 1e300}),
        _key("context below 0", ingest={"context": -1}),
        _key("stall 0", ingest={"stall_seconds": 0}),
        _key("stall infinite", ingest={"stall_seconds": inf}),
        _key("stall NaN", ingest={"stall_seconds": nan}),
        _key("class 256", ingest={"left_out_classes": [256]}),
        _key("class -1", ingest={"left_out_classes": [-1]}),
        _key("CRS unknown", crs={"working": "EPSG:999999"}),
        _key("CRS noise", crs={"working": "))(("}),
        _key("CRS in degrees", crs={"working": "EPSG:4326"}),
        _key("CRS far away", crs={"working": "EPSG:32760"}),
        _key("CRS empty", crs={"working": ""}),
        _key("CRS of 20,000 characters", crs={"working": "x" * 20_000}),
        _key("CRS a number", crs={"working": 26916}, ends=EITHER),
        _key("CRS a link", crs={"working": "http://127.0.0.1:9/crs"}),
        _key("CRS in feet", crs={"working": "EPSG:2965"}),
        _key("CRS with NUL", crs={"working": "EPSG:26916\0"}),
        _key("CRS deep WKT", crs={"working": "PROJCS[" * 5000}),
        _key("CRS geocentric", crs={"working": "EPSG:4978"}),
        _key("CRS of elevation noise", crs={"elevation": "noise"}),
        _key("CRS of vectors noise", crs={"vectors": "noise"}, ends=EITHER),
        _key("unit cubits", crs={"vertical_unit": "cubit"}),
        _key("unit of elevation a number", crs={"elevation_unit": 3}),
        _key("section a list", legs=[1, 2]),
        _key("section a word", legs="all"),
        _key("section a number", legs=7),
        _key("section within a word", legs={"sites": "none"}),
        _key("spread reversed", trim={"rates": {"hand": [10.0, 5.0]}}),
        _key("spread of three", trim={"rates": {"hand": [1, 2, 3]}}),
        _key("safety reversed", layout={"safety": {"fairway": [10.0, 20.0]}}),
        _key("total reversed", layout={"mix": {"total": [2000.0, 1000.0]}}),
        _key("leg lengths reversed", legs={"shortest": 90.0, "longest": 30.0}),
        _key("lane widths reversed", lanes={"min_width": 30.0}),
        _key("seed of 2^63", layout={"solver": {"seed": 2**63}}),
        _key("seed below 0", layout={"solver": {"seed": -1}}),
        _key("disc twice", WORKS, flight={"discs": ["dd", "dd"]}),
        _key("no disc", flight={"discs": []}),
        _key("disc nobody measured", flight={"discs": ["zz"]}),
        _key("visit in words", field={"visit": "soon"}),
        _key("visit a number", field={"visit": 20260101}, ends=EITHER),
        _key("visit the year 1", field={"visit": "0001-01-01"}),
        _key("visit the year 9999", field={"visit": "9999-12-31"}),
    ]


def _paths() -> list[Case]:
    long = "x" * 20_000
    return [
        _key("nothing to read", points=[], elevation=[]),
        _key("out missing", out=None),
        _key("name missing", name=None),
        _key("out empty", out=""),
        _key("out NUL", out="a\0b"),
        _key("out of 20,000 characters", out=long),
        _key("out in an unknown home", out="~nobody-here/out"),
        _key("out a file", out="dem.tif"),
        _key("out within a file", out="dem.tif/out"),
        _key("out a device", out="/dev/null"),
        _key("out in a place that is not", out="/proc/none/out"),
        _key("out a number", out=7),
        _key("out a list", out=["a"]),
        _key("points pattern without a match", points=["none/*.laz"]),
        _key("points NUL", points=["a\0b"]),
        _key("points of 20,000 characters", points=[long]),
        _key("points in an unknown home", points=["~nobody-here/a.laz"]),
        _key("points a number", points=[7]),
        _key("points a mapping", points=[{"path": "a.laz"}]),
        _key("points a folder", points=["."]),
        _key("points with brackets open", points=["[a-"]),
        _key("points of everything", points=["/**"]),
        _key("points a device", points=["/dev/zero"]),
        _key("points of 2,000 stars", points=["*" * 2000]),
        _key("points on the network", points=["/vsicurl/http://127.0.0.1:9/a.laz"]),
        _key("10,000 patterns", points=[f"p{k}" for k in range(10_000)]),
        _key("elevation in an unknown home", elevation=["~nobody-here/a.tif"]),
        _key("elevation NUL", elevation=["a\0b"]),
        _key("elevation a device", elevation=["/dev/zero"]),
        _key("elevation on the network", elevation=["/vsicurl/http://127.0.0.1:9/a.tif"]),
        _key("elevation by a link", elevation=["http://127.0.0.1:9/a.tif"]),
        _key("property in an unknown home", property="~nobody-here/a.gpkg"),
        _key("property a number", property=7),
        _key("property a list", property=["land.gpkg"]),
        _key("property the configuration itself", property="run.yaml"),
        _key("points the configuration itself", points=["run.yaml"]),
        _key("elevation the configuration itself", elevation=["run.yaml"]),
        _key("own holes the property", own_holes="land.gpkg"),
        _key("levels file the property", flight={"levels_file": "land.gpkg"}),
    ]
