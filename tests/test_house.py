"""Marks of the house: how much of what makes code hard to change there may be at most.

The marks are ours, common practice. Each counter is tried on an invented module first.
"""

from __future__ import annotations

import ast
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import lanewright

PACKAGE = Path(lanewright.__file__).parent
FLAT, LONG_FILES, LONG_FUNCTIONS, TANGLED, ANYS, SKIPS = 8, 3, 10, 5, 60, 20
LINES_OF_FILE, LINES_OF_FUNCTION, ARGUMENTS, COMPLEXITY = 500, 60, 8, 10
STAGE_ARGUMENTS = 6

INVENTED = """
from typing import Any

class House:
    def room(self, a, b, c, d, e, f, g, *, h):
        def stair(x: Any):
            return x
        return a if b else c

@app.command()
def porch(a, b, c, d, e, f, g, h, i):
    pass

def hall(a, b, c, d, e, f, g, h, i=None):
    return Any
"""


def _functions(tree: ast.AST) -> Iterator[ast.FunctionDef]:
    yield from (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef))


def _arguments(node: ast.FunctionDef) -> int:
    """Arguments besides `self` and `cls`."""
    names = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return sum(name.arg not in ("self", "cls") for name in names)


def _lines(node: ast.FunctionDef) -> int:
    return (node.end_lineno or node.lineno) - node.lineno + 1


def _anys(tree: ast.AST) -> int:
    return sum(isinstance(node, ast.Name) and node.id == "Any" for node in ast.walk(tree))


def _trees() -> Iterator[tuple[str, ast.AST]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        yield path.relative_to(PACKAGE).as_posix(), ast.parse(path.read_text("utf-8"))


def _tangled(*where: str | Path) -> list[str]:
    """Functions that ruff finds too complex (McCabe 1976)."""
    done = subprocess.run(
        [sys.executable, "-m", "ruff", "check", "--isolated", "--no-cache", "--select", "C901",
         "--config", f"lint.mccabe.max-complexity={COMPLEXITY}", "--output-format", "json",
         *map(str, where)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    return [f"{fault['filename']}: {fault['message']}" for fault in json.loads(done.stdout)]


def test_the_counters_count(tmp_path: Path) -> None:
    tree = ast.parse(INVENTED)
    arguments = {f.name: _arguments(f) for f in _functions(tree)}
    assert arguments == {"room": 8, "stair": 1, "porch": 9, "hall": 9}
    lines = {f.name: _lines(f) for f in _functions(tree)}
    assert lines == {"room": 4, "stair": 2, "porch": 2, "hall": 2}
    assert _anys(tree) == 2
    branches = "".join(f"    if x == {i}:\n        x += 2\n" for i in range(COMPLEXITY))
    (tmp_path / "tangled.py").write_text(f"def tangled(x):\n{branches}    return x\n")
    assert len(_tangled(tmp_path)) == 1


def test_no_function_has_more_than_eight_arguments() -> None:
    found = [
        f"{name}: {f.name}"
        for name, tree in _trees()
        for f in _functions(tree)
        if _arguments(f) > ARGUMENTS
    ]
    assert found == []


def test_no_stage_takes_more_than_six_results_and_settings() -> None:
    """What the store hands in besides, a folder, threads and progress, does not count."""
    handed_in = {"workspace", "progress", "threads"}
    stages = [
        (f.name, [a.arg for a in (*f.args.posonlyargs, *f.args.args, *f.args.kwonlyargs)])
        for _, tree in _trees()
        for f in _functions(tree)
        if any(ast.unparse(by).startswith("stage(") for by in f.decorator_list)
    ]
    assert len(stages) >= 18
    assert [(name, a) for name, a in stages if len(set(a) - handed_in) > STAGE_ARGUMENTS] == []


def test_few_functions_outside_kernels_are_long_or_tangled() -> None:
    outside = [(name, tree) for name, tree in _trees() if not name.startswith("kernels/")]
    found = [
        f"{name}: {f.name} {_lines(f)}"
        for name, tree in outside
        for f in _functions(tree)
        if _lines(f) > LINES_OF_FUNCTION
    ]
    assert len(found) <= LONG_FUNCTIONS, found
    tangled = _tangled(*(PACKAGE / name for name, _ in outside))
    assert len(tangled) <= TANGLED, tangled


def test_few_files_are_long_and_few_lie_flat() -> None:
    files = {path: path.read_text("utf-8") for path in PACKAGE.rglob("*.py")}
    long = [path.name for path, text in files.items() if text.count("\n") > LINES_OF_FILE]
    assert len(long) <= LONG_FILES, long
    assert len(list(PACKAGE.glob("*.py"))) <= FLAT
    assert sum(text.count("# fmt: skip") for text in files.values()) <= SKIPS


def test_types_are_said() -> None:
    counts = {name: _anys(tree) for name, tree in _trees()}
    assert sum(counts.values()) <= ANYS, sorted(counts.items(), key=lambda c: -c[1])[:9]


WORDS = re.compile(r"\b(un)?told\b|\bdear(er|est)?\b|\b(points|data) at rest\b", re.IGNORECASE)
"""Words that were replaced: reported, stated or classified; expensive; stored."""


def test_words_that_were_replaced_stay_away() -> None:
    assert WORDS.findall("It is told once. A dear friend; points at rest; a toldo, endear.")
    assert len(list(WORDS.finditer("It is told once. A dear friend; a toldo, endear."))) == 2
    home = PACKAGE.parents[1]
    files = [p for p in PACKAGE.rglob("*") if p.suffix in (".py", ".csv", ".yaml", ".html", ".j2")]
    files += [*home.glob("*.md"), home / "pyproject.toml", *(home / "configs").glob("*.yaml")]
    found = [
        f"{path.relative_to(home)}:{number}: {line.strip()[:80]}"
        for path in files
        for number, line in enumerate(path.read_text("utf-8").splitlines(), 1)
        if WORDS.search(line)
    ]
    assert not found
