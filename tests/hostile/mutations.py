"""Good files changed at random, by seed: a thousand of them through our own parsers.

python tests/hostile --mutate 1000 [target ...] [--seed 1]
"""

from __future__ import annotations

import re
import signal
import tempfile
import traceback
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from types import FrameType

import numpy as np

from lanewright.base.errors import InputError

from .targets import CHECKS, Target

SECONDS = 10.0
"""Time on the wall for one file."""

_NUMBER = re.compile(rb"-?[0-9][0-9.]*")


def mutate(raw: bytes, target: Target, rng: np.random.Generator) -> bytes:
    """One to four changes: bits, bytes, spans, words, numbers, or the end cut off."""
    changed = bytearray(raw)
    for _ in range(int(rng.integers(1, 5))):
        kinds = ("bit", "byte", "cut", "copy", "drop", "fill")
        kinds += ("word", "number", "number") if target.text else ("wide", "wide", "bit")
        _change(changed, str(rng.choice(kinds)), target, rng)
        if not changed:
            break
    return bytes(changed)


def _change(raw: bytearray, kind: str, target: Target, rng: np.random.Generator) -> None:
    # Half of all changes fall in the first kilobyte, where headers stand.
    reach = min(len(raw), 1024) if rng.random() < 0.5 else len(raw)
    at = int(rng.integers(0, reach))
    span = int(rng.integers(1, 65))
    if kind == "bit":
        raw[at] ^= 1 << int(rng.integers(0, 8))
    elif kind == "byte":
        raw[at] = int(rng.integers(0, 256))
    elif kind == "fill":
        raw[at : at + span] = bytes([int(rng.choice([0, 255]))]) * len(raw[at : at + span])
    elif kind == "wide":
        values = (0, 1, 2**31 - 1, 2**31, 2**32 - 1, 2**63, 2**64 - 1)
        size = int(rng.choice([2, 4, 8]))
        value = values[int(rng.integers(0, len(values)))] % (1 << 8 * size)
        raw[at : at + size] = value.to_bytes(size, "little")
    elif kind == "cut":
        del raw[int(rng.integers(0, len(raw))) :]
    elif kind == "copy":
        raw[at:at] = raw[at : at + span]
    elif kind == "drop":
        del raw[at : at + span]
    elif kind == "word":
        raw[at:at] = target.words[int(rng.integers(0, len(target.words)))]
    else:
        found = list(_NUMBER.finditer(bytes(raw)))
        if found:
            one = found[int(rng.integers(0, len(found)))]
            raw[one.start() : one.end()] = target.words[int(rng.integers(0, 15))]


def _late(_signal: int, _frame: FrameType | None) -> None:
    raise TimeoutError(f"not done in {SECONDS:.0f} s")


def run(name: str, count: int, seed: int, folder: Path) -> Iterator[tuple[int, str, str]]:
    """Number, end (`read`, `refused`, or the kind of fault) and trace of each mutation."""
    target = CHECKS[name]
    start = target.start(folder)
    signal.signal(signal.SIGALRM, _late)
    for number in range(count):
        rng = np.random.default_rng([seed, number, *name.encode()])
        path = folder / f"{name}.{target.ending}"
        path.write_bytes(mutate(start, target, rng))
        (folder / "last").write_text(f"{name} {number}")  # should the process itself go down
        signal.setitimer(signal.ITIMER_REAL, SECONDS)
        try:
            target.check(path)
            yield number, "read", ""
        except InputError as err:
            yield number, "refused" if len(str(err)) < 6000 else "wordy", ""
        except BaseException as err:
            if isinstance(err, KeyboardInterrupt):
                raise
            yield number, type(err).__name__, traceback.format_exc()
        finally:
            signal.setitimer(signal.ITIMER_REAL, 0)
        for beside in folder.glob(f"{path.name}-*"):  # journals of a database
            beside.unlink()


def report(names: list[str], count: int, seed: int) -> int:
    """Run and print what came of each target; exit code 1 if any raised anything of its own."""
    bad = 0
    for name in names or list(CHECKS):
        with tempfile.TemporaryDirectory() as folder:
            ends: Counter[str] = Counter()
            for number, end, trace in run(
                name, -(-count // len(names or CHECKS)), seed, Path(folder)
            ):
                ends[end] += 1
                if end not in ("read", "refused"):
                    bad += 1
                    print(f"{name} {number} (seed {seed}): {trace[-700:]}")
        print(f"{name:<10}" + ", ".join(f"{k} {v}" for k, v in sorted(ends.items())))
    return 1 if bad else 0
