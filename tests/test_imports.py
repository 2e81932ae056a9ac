"""Who may import whom: the map of the house in DEVELOPERS.md, held against the source.

Every import statement counts, those in functions and under TYPE_CHECKING included. The rules are
read by `_faults`, which is itself tried on a small invented package that breaks each of them.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator, Mapping
from pathlib import Path

import lanewright

PACKAGE = Path(lanewright.__file__).parent

FLOORS = (
    ("base", "kernels"), ("settings", "sources"), ("store",), ("land", "flight"), ("growth",),
    ("scene",), ("features", "changes"), ("legs",), ("holes",), ("trim",), ("layout",), ("visit",),
    ("results",), ("publish",), ("workplace",), ("finished", "check"), ("scout",),
    ("doctor", "fetch", "rank"), ("cli",), ("__main__",),
)  # fmt: skip
"""Rooms from the ground up. A room imports from floors below and from itself, never sideways."""

READERS = ("laspy", "pyogrio", "rasterio")
READ_IN = ("sources", "publish", "store", "base.outlines", "fetch")
NETWORK = ("urllib3", "requests", "http", "socket", "ssl", "ftplib", "asyncio")
"""Libraries that open sockets: only the commands `find` and `get` do."""
SOLVER_IN = ("trim.leastwork", "layout.circuit")

Imports = Mapping[str, frozenset[str]]


def _modules(root: Path) -> Imports:
    """Names that each module of a package imports; modules by their name within the package."""
    files = {_name(path, root): path for path in sorted(root.rglob("*.py"))}
    return {
        name: frozenset(
            target
            for node in _statements(ast.parse(path.read_text("utf-8")), name)
            for target in _targets(node, root.name, files)
        )
        for name, path in files.items()
    }


def _name(path: Path, root: Path) -> str:
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _statements(tree: ast.Module, name: str) -> Iterator[ast.stmt]:
    """Imports of a module; those the package itself delays into functions are its public API."""
    yield from (tree.body if name == "" else ast.walk(tree))  # type: ignore[misc]


def _targets(node: ast.stmt, package: str, files: Mapping[str, Path]) -> Iterator[str]:
    """Full names of modules that a statement imports; ours begin with the package's name."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        assert node.level == 0, "imports are written out in full"
        base = node.module or ""
        for alias in node.names:
            full = f"{base}.{alias.name}"
            yield full if full.removeprefix(f"{package}.") in files else base


def _ours(target: str, package: str) -> str | None:
    """Name within the package; None for what is not ours."""
    if target == package:
        return ""
    return target.removeprefix(f"{package}.") if target.startswith(f"{package}.") else None


def _faults(root: Path) -> list[str]:
    modules, package = _modules(root), root.name
    floor = {room: i for i, rooms in enumerate(FLOORS) for room in rooms}
    found = []
    for name, targets in modules.items():
        room = name.split(".")[0]
        if name and room not in floor:
            found.append(f"{name} is in no room of the map")
            continue
        for target in sorted(targets):
            other = _ours(target, package)
            if other is None:
                found += _foreign(name, target)
            elif not name:
                found.append(f"the package imports {other} at once")
            elif room == "kernels" and not other.startswith("kernels"):
                found.append(f"{name} imports {other or package}, and is a kernel")
            elif other and (up := other.split(".")[0]) != room and floor[up] >= floor[room]:
                found.append(f"{name} imports {other}, which is not below it")
    return found + [f"a circle: {' > '.join(circle)}" for circle in _circles(modules, package)]


def _foreign(name: str, target: str) -> list[str]:
    library = target.split(".")[0]
    if library in READERS and not any(name == r or name.startswith(f"{r}.") for r in READ_IN):
        return [f"{name} imports {library}"]
    if library in NETWORK and not name.startswith("fetch."):
        return [f"{name} imports {library}"]
    if library == "ortools" and name not in SOLVER_IN:
        return [f"{name} imports {library}"]
    return []


def _circles(modules: Imports, package: str) -> list[list[str]]:
    """Modules that import each other over any number of steps: one circle for each knot."""
    inside = {
        name: sorted(o for t in targets if (o := _ours(t, package)) and o != name and o in modules)
        for name, targets in modules.items()
    }
    done: set[str] = set()
    found: list[list[str]] = []

    def visit(name: str, way: list[str]) -> None:
        if name in way:
            found.append([*way[way.index(name) :], name])
            return
        if name in done:
            return
        for target in inside[name]:
            visit(target, [*way, name])
        done.add(name)

    for name in inside:
        visit(name, [])
    return found


def test_imports_point_downward_only() -> None:
    assert _faults(PACKAGE) == []


def test_the_map_names_no_room_that_is_gone() -> None:
    rooms = {name.split(".")[0] for name in _modules(PACKAGE) if name}
    assert {room for rooms_ in FLOORS for room in rooms_} == rooms
    assert set(SOLVER_IN) <= set(_modules(PACKAGE))


def test_each_rule_can_be_broken(tmp_path: Path) -> None:
    """An invented package that breaks every rule once."""
    sources = {
        "__init__": "from house import cli",
        "cli": "def late():\n    import laspy",
        "store.web": "import http.client",
        "scout": "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from house.cli import x",
        "attic.roof": "",
        "kernels.fast": "from house import __version__",
        "land.ground": "from house.flight import table",
        "flight.table": "import ortools.sat",
        "legs.a": "from house.legs import b",
        "legs.b": "from house.legs.c import x",
        "legs.c": "def late():\n    from house.legs.a import x",
    }
    for name, text in sources.items():
        path = tmp_path / "house" / Path(*name.split(".")).with_suffix(".py")
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    assert _faults(tmp_path / "house") == [
        "the package imports cli at once",
        "attic.roof is in no room of the map",
        "cli imports laspy",
        "flight.table imports ortools",
        "kernels.fast imports house, and is a kernel",
        "land.ground imports flight.table, which is not below it",
        "scout imports cli, which is not below it",
        "store.web imports http",
        "a circle: legs.a > legs.b > legs.c > legs.a",
    ]
