"""Change what decides, one operator or figure at a time, and see whether a test notices.

    python tests/mutants.py [group ...] [--again FOLDER]

Needs mutmut 3.8 (`pip install mutmut`; not among the requirements of development). The package is
copied into a folder of its own and changed there. A change that no test notices must stand in
`tests/mutants.csv` with the reason why none should; one that does not is printed, and the command
ends with 1. A change is known by its lines before and after, so the list outlives edits elsewhere.
`--again` goes on in the folder of a run that was cut short.
"""

import argparse
import csv
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parents[1]
LIST = ROOT / "tests" / "mutants.csv"

GROUPS = {
    "units": (["base/units.py"], ["tests/published/test_course_values.py", "lanewright/base"]),
    "scores": (
        ["legs/scores.py", "legs/fair.py", "legs/interest.py"],
        ["tests/legs/test_scores.py", "tests/legs/test_fair.py", "tests/legs/test_interest.py"],
    ),
    "safety": (
        ["holes/safety.py", "holes/fairways.py"],
        [
            "tests/holes/test_safety.py",
            "tests/holes/test_safety_exact.py",
            "tests/layout/test_neighbours.py",
        ],
    ),
    "holes": (
        ["holes/choose.py", "holes/judge.py", "holes/par.py", "holes/rules.py"],
        [
            "tests/holes/test_choose.py",
            "tests/holes/test_judge.py",
            "tests/holes/test_par.py",
            "tests/holes/test_rules.py",
            "tests/published/test_course_values.py",
        ],
    ),
    "layout": (
        ["layout/choice.py", "layout/ideas.py"],
        ["tests/layout/test_choice.py", "tests/layout/test_ideas.py"],
    ),
}
"""What decides, as modules, and the tests that must notice."""

NOTICED = ("killed", "segfault", "timeout")
"""A run that crashes or never ends is no passing run either."""


class Change(NamedTuple):
    """One line before and after, in a function of a module."""

    module: str
    function: str
    before: str
    after: str


def copied(folder: Path, group: str) -> None:
    """The package at the top of `folder`, where mutmut wants it, with what the tests read."""
    modules, tests = GROUPS[group]
    shutil.copytree(ROOT / "pipeline" / "lanewright", folder / "lanewright")
    for name in ("tests", "configs", "sample_tiles"):
        shutil.copytree(ROOT / name, folder / name)
    text = (ROOT / "pyproject.toml").read_text("utf-8").replace('["pipeline",', '[".",')
    text += f"""
[tool.mutmut]
source_paths = {[f"lanewright/{module}" for module in modules]}
pytest_add_cli_args_test_selection = {tests}
also_copy = ["lanewright", "tests", "configs", "sample_tiles"]
"""
    (folder / "pyproject.toml").write_text(text, "utf-8")


def mutmut(folder: Path, *words: str) -> str:
    """What a command of mutmut prints. Threads of OpenMP do not outlive its forks: none of them."""
    given = os.environ | {"NUMBA_THREADING_LAYER": "workqueue", "NUMBA_NUM_THREADS": "1"}
    given.pop("PYTHONPATH", None)
    done = subprocess.run(
        [sys.executable, "-m", "mutmut", *words], cwd=folder, env=given, check=False,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    if done.returncode:
        sys.exit(done.stdout[-2000:] + "\nmutmut failed; is it installed?")
    return done.stdout


def changes(folder: Path) -> tuple[int, list[Change]]:
    """How many changes were tried, and those that no test noticed."""
    ends = re.findall(
        r"^ *(\S+)__mutmut_(\d+): (.+)$", mutmut(folder, "results", "--all", "true"), re.M
    )
    survived = []
    for name, number, end in ends:
        if end in NOTICED:
            continue
        diff = mutmut(folder, "show", f"{name}__mutmut_{number}").splitlines()
        old, new = (
            " ".join(line[1:].strip() for line in diff if line[:1] == sign and line[:3] != 3 * sign)
            for sign in "-+"
        )
        module, _, function = name.rpartition(".")
        function = re.sub(r"^x[_ǁ]", "", function).replace("ǁ", ".")
        became = new + ("" if end == "survived" else f" [{end}]")
        survived.append(Change(module.removeprefix("lanewright."), function, old, became))
    return len(ends), survived


def listed() -> dict[Change, str]:
    """Changes that no test should notice, and why."""
    with LIST.open(encoding="utf-8", newline="") as file:
        return {Change(*row[:4]): row[4] for row in list(csv.reader(file))[1:]}


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "groups", nargs="*", default=list(GROUPS), choices=[*GROUPS, []], help="default: all"
    )
    parser.add_argument("--again", type=Path, help="folder of an earlier run")
    given = parser.parse_args()
    known, unlisted = listed(), 0
    home = given.again or Path(tempfile.mkdtemp(prefix="mutants-"))
    print(f"in {home}", flush=True)
    for group in given.groups:
        folder = home / group
        if not folder.exists():
            copied(folder, group)
        mutmut(folder, "run", "--max-children", "1")
        tried, survived = changes(folder)
        fresh = [change for change in survived if change not in known]
        unlisted += len(fresh)
        with_reason = len(survived) - len(fresh)
        print(f"{group}: {tried} changes, {tried - len(survived)} noticed, {with_reason} listed "
              f"with a reason, {len(fresh)} neither", flush=True)  # fmt: skip
        writer = csv.writer(sys.stdout)
        writer.writerows(fresh)
    return int(unlisted > 0)


if __name__ == "__main__":
    sys.exit(main())
