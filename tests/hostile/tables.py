"""Bad tables of levels and of costs."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from .case import EITHER, REFUSED, WORKS, Case

OURS = Path(__file__).parents[2] / "configs" / "levels.csv"
COSTS = OURS.with_name("costs.csv")


def _of(name: str, change: Callable[[str], str | bytes], ends: str = REFUSED) -> Case:
    def make(folder: Path) -> dict[str, Any]:
        made = change(OURS.read_text(encoding="utf-8"))
        (folder / "mine.csv").write_bytes(made if isinstance(made, bytes) else made.encode())
        return {"flight": {"levels_file": "mine.csv"}}

    says = ("mine.csv",) if ends == REFUSED and "asked for" not in name else ()
    return Case("levels", name, make, ends, says)


def _costs(name: str, change: Callable[[str], str | bytes], ends: str = REFUSED) -> Case:
    def make(folder: Path) -> dict[str, Any]:
        made = change(COSTS.read_text(encoding="utf-8"))
        (folder / "bids.csv").write_bytes(made if isinstance(made, bytes) else made.encode())
        return {"field": {"costs_file": "bids.csv"}}

    return Case("costs", name, make, ends, ("bids.csv",) if ends == REFUSED else ())


def _cell(column: int, value: str, row: int = 5) -> Callable[[str], str]:
    """One cell of a row changed; row 5 is the lowest level."""

    def change(text: str) -> str:
        lines = text.splitlines()
        cells = lines[row].split(",")
        cells[column] = value
        lines[row] = ",".join(cells)
        return "\n".join(lines) + "\n"

    return change


_VALUES = {
    "NaN": "nan",
    "infinite": "inf",
    "-infinite": "-inf",
    "in words": "far",
    "blank": "",
    "1e300": "1e300",
    "below 0": "-5",
    "hexadecimal": "0x10",
    "with underscore": "1_0e3_0",
    "of 5,000 digits": "9" * 5000,
    "with a comma in quotes": '"5,5"',
    "a formula": "=1+1",
    "in Arabic digits": "٩٩٩٩",
    "with NUL": "5\0",
}


def _line(number: int) -> Callable[[str], str]:
    return lambda text: "\n".join(row for k, row in enumerate(text.splitlines()) if k != number)


def every() -> list[Case]:
    """Faults of files, of the header and of single cells."""
    return [*levels(), *costs()]


def costs() -> list[Case]:
    """Bad tables of what things cost."""
    cases = [
        _costs("untouched", lambda t: t, WORKS),
        _costs("with a mark at its front", lambda t: "\ufeff" + t, WORKS),
        _costs("with Windows line ends", lambda t: t.replace("\n", "\r\n"), WORKS),
        _costs("empty", lambda t: ""),
        _costs("header only", lambda t: t.splitlines()[0]),
        _costs("no header", _line(0)),
        _costs("with semicolons", lambda t: t.replace(",", ";")),
        _costs("in UTF-16", lambda t: t.encode("utf-16")),
        _costs("a picture", lambda t: b"\x89PNG\r\n\x1a\n" + bytes(range(256))),
        _costs("NULs", lambda t: bytes(5000)),
        _costs("too many cells", lambda t: t.rstrip("\n") + ",1,2,3\n"),
        _costs("too few cells", lambda t: t.rstrip("\n") + "\nlast,1\n"),
        _costs("open quote", lambda t: t + '"never closed'),
        _costs("a cell of 1 MB", lambda t: t.rstrip("\n") + "\n" + "x" * 1_000_000),
        _costs("a cell of 90 kB", lambda t: t + "x" * 90_000 + ",each,1,2,USD,2024,\n"),
        _costs(
            "2,000 costs", lambda t: t + "".join(f"i{k},e,1,2,USD,2024,\n" for k in range(2000))
        ),
        _costs("an item twice", lambda t: t + t.splitlines()[-1] + "\n"),
        _costs("two currencies", lambda t: t.replace("USD", "EUR", 1)),
        _costs("name with escapes", _cell(0, "\x1b[31mgate")),
        _costs("a formula for a name", _cell(0, "=HYPERLINK(1)"), WORKS),
        _costs("low over high", _cell(2, "1e9")),
    ]
    for column, name in ((2, "low"), (3, "high"), (5, "year")):
        for what, value in _VALUES.items():
            cases.append(_costs(f"{name} {what}", _cell(column, value, 4)))
    for name, value in {
        "missing file": "none.csv", "a folder": ".", "a device that never ends": "/dev/zero",
        "a terminal": "/dev/tty", "NUL in the path": "a\0b",
    }.items():  # fmt: skip
        cases.append(Case("costs", name, lambda f, v=value: {"field": {"costs_file": v}}))
    return cases


def levels() -> list[Case]:
    """Bad tables of levels."""
    header = OURS.read_text(encoding="utf-8").splitlines()[0].split(",")
    cases = [
        _of("untouched", lambda t: t, WORKS),
        _of("with a mark at its front", lambda t: "\ufeff" + t, WORKS),
        _of("with Windows line ends", lambda t: t.replace("\n", "\r\n"), WORKS),
        _of("with old Mac line ends", lambda t: t.replace("\n", "\r"), EITHER),
        _of("empty", lambda t: ""),
        _of("blank lines", lambda t: "\n\n\n"),
        _of("header only", lambda t: t.splitlines()[0]),
        _of("no header", _line(0)),
        _of("with semicolons", lambda t: t.replace(",", ";")),
        _of("with tabs", lambda t: t.replace(",", "\t")),
        _of("in UTF-16", lambda t: t.encode("utf-16")),
        _of("a picture", lambda t: b"\x89PNG\r\n\x1a\n" + bytes(range(256))),
        _of("NULs", lambda t: bytes(5000)),
        _of("column twice", lambda t: t.replace("carry_m", "speed_mps", 1)),
        _of("column unknown", lambda t: t.replace("carry_m", "cary_m", 1)),
        _of("column missing", lambda t: "\n".join(r.rsplit(",", 5)[0] for r in t.splitlines())),
        _of("too many cells", lambda t: t.rstrip("\n") + ",1,2,3\n"),
        _of("too few cells", lambda t: t.rstrip("\n") + "\nlast,1\n"),
        _of("open quote", lambda t: t + '"never closed'),
        _of("an open quote over 1 MB", lambda t: t + '"' + "x" * 1_000_000),
        _of("a cell of 1 MB", lambda t: t.rstrip("\n") + "\n" + "x" * 1_000_000),
        _of(
            "100,000 levels",
            lambda t: (
                t
                + "\n".join(f"l{k}," + ",".join(["1"] * (len(header) - 1)) for k in range(100_000))
            ),
        ),
        _of("level twice", lambda t: t + t.splitlines()[-1] + "\n"),
        _of(
            "levels turned round", lambda t: "\n".join([t.splitlines()[0], *t.splitlines()[:0:-1]])
        ),
        _of("the level asked for is gone", lambda t: t.replace("green", "grass")),
        _of("name of 20,000 characters", lambda t: t.replace("green", "g" * 20_000)),
        _of("name blank", _cell(0, "")),
        _of("name with escapes", _cell(0, "\x1b[31mgreen")),
    ]
    for column in range(1, len(header)):
        for name, value in _VALUES.items():
            fine = value == "" and (header[column] == "rating_from" or "most" in header[column])
            # A slow sweep of all would say little more: two faults for each column in turn.
            k = list(_VALUES).index(name)
            if (column + k) % 7 in (0, 1):
                cases.append(
                    _of(
                        f"{header[column]} {name}", _cell(column, value), WORKS if fine else REFUSED
                    )
                )
    paths = {
        "missing file": "none.csv",
        "a folder": ".",
        "a device that never ends": "/dev/zero",
        "NUL in the path": "a\0b",
        "an unknown home": "~nobody-here/levels.csv",
    }
    cases += [
        Case("levels", name, lambda f, v=value: {"flight": {"levels_file": v}})
        for name, value in paths.items()
    ]
    return cases
