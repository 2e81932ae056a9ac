"""The lock file: every dependency has one tested version, inside the range that pyproject opens."""

import ast
import importlib.metadata
import re
import sys
import tomllib
from pathlib import Path

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]


def test_every_dependency_is_pinned_inside_its_range():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [*project["dependencies"], *project["optional-dependencies"]["dev"]]
    lines = (ROOT / "tests" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pins = dict(line.split("==") for line in lines if line and not line.startswith("#"))
    pinned = {canonicalize_name(name): version for name, version in pins.items()}
    for text in wanted:
        one = Requirement(text)
        assert canonicalize_name(one.name) in pinned, f"{one.name} is not pinned; run .ci/pin"
        assert one.specifier.contains(pinned[canonicalize_name(one.name)], prereleases=True)


COMES_WITH = {"pydantic-core": "pydantic", "markupsafe": "jinja2", "distributed": "dask"}
"""Packages that are part of what another one promises, and which."""


def test_every_package_that_is_imported_is_named():
    """Else the lowest versions of the others are tried with whatever is newest of it."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    named = {canonicalize_name(Requirement(text).name) for text in project["dependencies"]}
    sold_as = importlib.metadata.packages_distributions()
    imported = set()
    for path in (ROOT / "pipeline").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                imported |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level and node.module:
                imported.add(node.module)
    modules = {name.partition(".")[0] for name in imported} - sys.stdlib_module_names
    packages = {canonicalize_name(sold_as[name][0]) for name in modules - {"lanewright"}}
    assert "numpy" in packages
    assert {COMES_WITH.get(name, name) for name in packages} - named == set()


def test_the_readmes_commands_use_the_lock_file():
    commands = re.findall(r"pip install .*", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(commands) == 2
    assert all("-c tests/constraints.txt" in command for command in commands)
