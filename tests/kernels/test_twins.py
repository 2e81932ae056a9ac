"""Each kernel that stages call is held by a test against something other than itself.

`twins.csv` names that test: a plain twin, every case counted out, a library or published figures.
A kernel that a stage begins to call without a line there fails this file.
"""

import ast
import csv
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
PACKAGE = TESTS.parent / "pipeline" / "lanewright"
KERNELS = PACKAGE / "kernels"
APART = {"march.threads", "throws.new_log", "throws.shifts_of"}
"""Called from outside, and no kernels: a number of threads, an empty log, one hash of a seed."""

with (Path(__file__).parent / "twins.csv").open() as file:
    HELD = {row["kernel"]: (row["file"], row["test"]) for row in csv.DictReader(file)}


def functions(path: Path) -> set[str]:
    tree = ast.parse(path.read_text())
    return {node.name for node in tree.body if isinstance(node, ast.FunctionDef)}


def called() -> set[str]:
    """Functions of kernels that other rooms name, as module.function."""
    offered = {path.stem: functions(path) for path in KERNELS.glob("*.py")}
    found = set()
    for path in PACKAGE.rglob("*.py"):
        if KERNELS in path.parents:
            continue
        modules = {}
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module == "lanewright.kernels":
                modules |= {name.asname or name.name: name.name for name in node.names}
            elif isinstance(node, ast.ImportFrom) and (node.module or "").startswith(
                "lanewright.kernels."
            ):
                module = str(node.module).rsplit(".", 1)[1]
                found |= {f"{module}.{n.name}" for n in node.names if n.name in offered[module]}
            elif isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                module = modules.get(node.value.id, "")
                if node.attr in offered.get(module, ()):
                    found.add(f"{module}.{node.attr}")
    return found


def test_every_kernel_that_stages_call_is_held_by_a_test():
    names = called()
    assert len(names) > 40
    assert sorted(names - set(HELD) - APART) == []


def test_what_the_list_names_is_there():
    for kernel, (path, test) in HELD.items():
        module, name = kernel.split(".")
        assert name in functions(KERNELS / f"{module}.py"), kernel
        assert test in functions(TESTS / path), test
