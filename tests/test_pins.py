"""The lock file: every dependency has one tested version, inside the range that pyproject opens."""

import re
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


def test_the_readmes_commands_use_the_lock_file():
    commands = re.findall(r"pip install .*", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(commands) == 2
    assert all("-c tests/constraints.txt" in command for command in commands)
