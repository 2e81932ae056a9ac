"""Every stage of the run can be named on the command line."""

import ast
from pathlib import Path
from typing import get_args

import lanewright
from lanewright.cli import StageName


def test_the_command_names_every_stage():
    root = Path(lanewright.__file__).parent
    named = {
        node.args[0].value
        for path in root.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "stage"
    }
    assert set(get_args(StageName)) == named | {"publish"}
