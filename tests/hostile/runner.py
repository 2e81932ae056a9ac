"""Runs cases, each in a process of its own with bounds on time and memory."""

from __future__ import annotations

import contextlib
import functools
import logging
import os
import resource
import shutil
import signal
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import yaml

from . import good
from .case import EITHER, REFUSED, WORKS, Case

CPU_SECONDS = 20
"""Processor time that one case may take; a refusal takes well under one second."""

WALL_SECONDS = 90
"""Time on the wall that one case may take on a busy machine."""

MEMORY = 6 << 30
"""Bytes of address space of one case."""

LONGEST = 6000
"""Characters of the longest message that is still one message."""

RIGHT, MESSAGE, VAGUE, TURNED_AWAY = "right", "one message", "vague", "turned away"
CRASH, HANG, SILENT = "crash", "hang", "silent"
ENDS = (RIGHT, MESSAGE, VAGUE, TURNED_AWAY, CRASH, HANG, SILENT)
"""Columns of the table. `vague`: refused, but not by one message that names the file or key;
`turned away`: refused though it should work."""


@dataclass(frozen=True)
class End:
    """How a case ended, and what was printed."""

    case: Case
    how: str
    said: str
    seconds: float


def warm() -> None:
    """Import what every case needs once, before processes are split off."""
    import lanewright.check
    import lanewright.cli
    import lanewright.scout  # noqa: F401


def run(cases: Iterable[Case], scratch: Path, workers: int, note: Callable[[End], None]) -> None:
    """Run every case; `note` receives each end in the order of ending."""
    warm()
    shared = scratch / "good"
    shared.mkdir(parents=True)
    good.write(shared)
    waiting = list(cases)[::-1]
    number = 0
    busy: dict[int, tuple[Case, Path, float]] = {}
    while waiting or busy:
        while waiting and len(busy) < workers:
            case, number = waiting.pop(), number + 1
            folder = scratch / f"{number:05d}"
            shutil.copytree(shared, folder)
            busy[_start(case, folder)] = case, folder, time.monotonic()
        for pid in list(busy):
            case, folder, since = busy[pid]
            done, status, used = os.wait4(pid, os.WNOHANG)
            late = time.monotonic() - since > WALL_SECONDS
            if not done and not late:
                continue
            if not done:
                os.killpg(pid, signal.SIGKILL)
                _, status, used = os.wait4(pid, 0)
            del busy[pid]
            with contextlib.suppress(ProcessLookupError):
                os.killpg(pid, signal.SIGKILL)
            note(_judge(case, folder, status, late, used.ru_utime + used.ru_stime))
            shutil.rmtree(folder, ignore_errors=True)
        time.sleep(0.005)


def _start(case: Case, folder: Path) -> int:
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    code = 70
    try:
        os.setpgid(0, 0)
        code = _child(case, folder)
    finally:
        os._exit(code)


def _child(case: Case, folder: Path) -> int:
    """Make the input, then behave as the command does."""
    os.chdir(folder)
    with (folder / "said").open("wb") as said:
        os.dup2(said.fileno(), 1)
        os.dup2(said.fileno(), 2)
    for name in ("stdout", "stderr"):
        stream = os.fdopen({"stdout": 1, "stderr": 2}[name], "w", encoding="utf-8")
        setattr(sys, name, stream)
    try:
        made = case.make(folder)
    except BaseException:
        import traceback

        traceback.print_exc()
        print("the case itself cannot be made")
        sys.stdout.flush()
        return 71
    config = folder / "run.yaml"
    if isinstance(made, Mapping):
        changed = good.settings(case.points) | dict(made)
        config.write_text(yaml.safe_dump({k: v for k, v in changed.items() if v is not None}))
    else:
        config.write_bytes(made if isinstance(made, bytes) else made.encode())
    if case.until:
        _watch_ground(folder)
    words = ["scout", str(config), "--until", case.until] if case.until else ["check", str(config)]
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_SECONDS, CPU_SECONDS + 2))
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    signal.signal(signal.SIGXCPU, signal.SIG_DFL)
    return _command(words)


def _watch_ground(folder: Path) -> None:
    """Keep the ground that the run finds, as far off the truth as it is."""
    import lanewright.land.ground as stage

    find = stage.find_ground

    @functools.wraps(find)
    def watched(*args: Any, **keys: Any) -> Any:
        found = find(*args, **keys)
        off = good.off_the_truth(found.surface, args[0].grid)
        (folder / "off").write_text(str(off))
        return found

    stage.find_ground = watched


def _command(words: list[str]) -> int:
    from lanewright.cli import main

    logging.getLogger().handlers.clear()
    sys.argv = ["lanewright", *words]
    try:
        main()
        code = 0
    except SystemExit as leave:
        code = leave.code if isinstance(leave.code, int) else 1
    sys.stdout.flush()
    sys.stderr.flush()
    return code


def _judge(case: Case, folder: Path, status: int, late: bool, seconds: float) -> End:
    path = folder / "said"
    said = path.read_text(encoding="utf-8", errors="replace") if path.exists() else ""
    how = how_it_ended(case, status, late, said)
    found = folder / "off"
    if how == RIGHT and found.exists() and float(found.read_text()) > case.within:
        how, said = SILENT, f"{said}\nground {found.read_text()} m off the truth"
    return End(case, how, said, seconds)


def how_it_ended(case: Case, status: int, late: bool, said: str) -> str:
    """Which of `ENDS` a case came to."""
    if late or (os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL)):
        return HANG
    code = os.waitstatus_to_exitcode(status)
    if code not in (0, 2) or "Traceback" in said:
        return CRASH
    if code == 0:
        return SILENT if case.ends == REFUSED else RIGHT
    if case.ends == WORKS:
        return TURNED_AWAY
    one = said.count("error: ") == 1 and said.startswith("error: ") and len(said) <= LONGEST
    return MESSAGE if one and all(word in said for word in case.says) else VAGUE


def good_end(end: End) -> bool:
    """Whether a case ended as it should."""
    return (
        end.how in (RIGHT, MESSAGE)
        if end.case.ends == EITHER
        else end.how == {REFUSED: MESSAGE, WORKS: RIGHT}[end.case.ends]
    )
