"""The corpus of bad inputs: its size, that a part of it ends as it should, that it can fail."""

import os
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest

from hostile import cases, runner
from hostile.case import EITHER, REFUSED, WORKS, Case

HERE = Path(__file__).parent


def test_the_corpus_is_as_large_as_it_says_and_no_two_cases_are_called_the_same():
    every = cases.every()
    assert len(every) >= 400
    assert len({case.title for case in every}) == len(every)
    roles = Counter(case.role for case in every)
    assert min(roles.values()) >= 40
    assert set(roles) == {
        "points", "elevation", "property", "keep_out", "water", "own_holes", "keep list", "paths",
        "designer", "levels", "costs", "yaml",
    }  # fmt: skip


@pytest.mark.skipif(not hasattr(os, "fork"), reason="each case runs in a process split off")
def test_a_part_of_every_role_ends_in_one_message():
    """The whole corpus is `python tests/hostile`; this takes one case in so many of each role."""
    done = subprocess.run(
        [sys.executable, str(HERE), "--fast", "--workers", "1"],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr[-2000:]
    assert " 0 ended otherwise than they should" in done.stdout


@pytest.mark.parametrize(
    ("ends", "code", "said", "how"),
    [
        (REFUSED, 2, "error: a.laz: is empty", runner.MESSAGE),
        (REFUSED, 2, "warning: odd\nerror: a.laz: is empty", runner.VAGUE),
        (REFUSED, 2, "error: a.laz: is empty\nerror: again", runner.VAGUE),
        (REFUSED, 2, "error: " + "x" * 7000, runner.VAGUE),
        (REFUSED, 0, "verdict: a run can start", runner.SILENT),
        (REFUSED, 1, "a bug", runner.CRASH),
        (REFUSED, 2, "error: x\nTraceback (most recent call last)", runner.CRASH),
        (WORKS, 0, "verdict: a run can start", runner.RIGHT),
        (WORKS, 2, "error: a.laz: is empty", runner.TURNED_AWAY),
        (EITHER, 0, "", runner.RIGHT),
    ],
)
def test_ends_are_distinguished(ends, code, said, how):
    case = Case("points", "x", lambda _folder: {}, ends)
    assert runner.how_it_ended(case, code << 8, False, said) == how


def test_a_case_that_never_ends_is_a_hang():
    case = Case("points", "x", lambda _folder: {})
    assert runner.how_it_ended(case, 0, True, "") == runner.HANG
    assert runner.how_it_ended(case, 9, False, "") == runner.HANG  # killed
    assert runner.how_it_ended(case, 11, False, "") == runner.CRASH  # a fault in memory
