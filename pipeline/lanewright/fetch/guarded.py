"""Calls `clip` in a process of its own, whose failure costs one clear message."""

from __future__ import annotations

import json
import subprocess
import sys

from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE
from lanewright.fetch.clip import Request

LONGEST = 1800.0
"""Seconds that clipping may take; 100 million points take some 3 minutes."""


def clip_guarded(request: Request, url: str) -> int:
    """Points written.

    Raises
    ------
    InputError
        If the pieces cannot be decoded.
    """
    command = [sys.executable, "-P", "-m", "lanewright.fetch.clip"]
    try:
        done = subprocess.run(
            command, input=request.to_json(), capture_output=True, text=True, timeout=LONGEST,
            check=False,
        )  # fmt: skip
    except subprocess.TimeoutExpired:
        raise InputError(url[:200], "reading its points does not end", ELSEWHERE) from None
    if done.returncode != 0:
        said = (done.stderr.strip().splitlines() or ["it crashed the decoder"])[-1][:160]
        raise InputError(url[:200], f"its points cannot be decoded ({said})", ELSEWHERE)
    return int(json.loads(done.stdout)["points"])
