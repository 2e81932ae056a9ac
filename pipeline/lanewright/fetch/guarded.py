"""Calls `clip` in a process of its own, whose failure costs one clear message."""

from __future__ import annotations

import json

from lanewright.base.errors import InputError
from lanewright.base.processes import run_bounded
from lanewright.fetch.address import ELSEWHERE
from lanewright.fetch.clip import Request
from lanewright.sources.reader import LOAD, MEMORY, start_command

_CODE = LOAD + "from lanewright.fetch.clip import main\nmain()\n"

LONGEST = 1800.0
"""Seconds that clipping may take; 100 million points take some 3 minutes."""


def clip_guarded(request: Request, url: str) -> int:
    """Points written.

    Raises
    ------
    InputError
        If the pieces cannot be decoded.
    """
    try:
        done = run_bounded(start_command(_CODE), LONGEST, MEMORY, request.to_json())
    except TimeoutError:
        raise InputError(url[:200], "reading its points does not end", ELSEWHERE) from None
    if done.code != 0:
        raise InputError(url[:200], f"its points cannot be decoded ({done.last_word})", ELSEWHERE)
    return int(json.loads(done.said)["points"])
