"""Coverage-guided fuzzing of one parser with atheris, an optional tool no test needs.

    pip install atheris
    python tests/hostile --fuzz yaml -max_total_time=60

What it finds is written to the current folder as crash-*, timeout-* or oom-*.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path


def fuzz(name: str, options: list[str]) -> None:
    """Fuzz a target of `targets.CHECKS` until libFuzzer's options end it."""
    import atheris

    with atheris.instrument_imports(include=["lanewright", "yaml", "csv"]):
        from lanewright.base.errors import InputError

        from .targets import CHECKS

    target = CHECKS[name]
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        seeds = place / "seeds"
        seeds.mkdir()
        (seeds / "good").write_bytes(target.start(place))
        words = place / "words"
        words.write_text("".join(f'"{_escaped(word)}"\n' for word in target.words))
        path = place / f"fuzzed.{target.ending}"

        def once(raw: bytes) -> None:
            path.write_bytes(raw)
            try:
                target.check(path)
            except InputError:
                return

        arguments = [sys.argv[0], "-timeout=20", "-rss_limit_mb=3000", "-max_len=60000"]
        arguments += [f"-dict={words}"] * bool(target.words)
        atheris.Setup([*arguments, *options, str(seeds)], once)
        atheris.Fuzz()


def _escaped(word: bytes) -> str:
    return "".join(f"\\x{byte:02x}" for byte in word)
