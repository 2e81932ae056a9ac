"""Run a small property again and again under load: the results must be the same every time.

    python tests/repeats.py [repeats] [busy processes beside it]

Thread counts, the names and so the order of the tiles, and the seed of Python's hashes change from
one run to the next. Every fifth run makes all stages anew and publishes, and what it publishes is
compared byte by byte; the others make the stages from the scene to the layout, and the files of
their results are compared.
Prints what differed, and ends with 1 if anything did.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "pipeline"), str(HERE.parent / "sample_tiles"), str(HERE)]

from run.runs import environment, results  # noqa: E402
from small import small_property  # noqa: E402

BUSY = "while True: sum(range(100_000))"


def differences(wanted: dict[str, str], got: dict[str, str]) -> list[str]:
    """Files that are not the same as in the first run."""
    return sorted(n for n in got if wanted.get(n) != got[n])


def repeated(folder: Path, number: int) -> dict[str, str]:
    """Results of one more run."""
    names = [("a.laz", "b.laz"), ("z.laz", "a.laz")][number % 2]
    config = small_property(folder, names)
    for tile in folder.glob("*.laz"):
        if tile.name not in names:
            tile.unlink()
    whole = number % 5 == 0
    words = ["--force"] if whole else ["--from", "scene", "--until", "layout"]
    done = subprocess.run(
        [sys.executable, "-m", "lanewright", "scout", str(config), *words,
         "--threads", str(1 + number % 2)],
        env=environment() | {"PYTHONHASHSEED": str(number)}, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    if done.returncode:
        raise SystemExit(done.stderr)
    stored = {
        f"{path.parent.name.partition('-')[0]}/{name}": said["crc32"]
        for path in (folder / "out" / ".stages").glob("*/manifest.json")
        for name, said in json.loads(path.read_text())["files"].items()
        if name != "result.json"  # says which folders it refers to, or how long things took
    }
    return stored | (results(folder / "out") if whole else {})


def main() -> int:
    """Repeat and compare."""
    repeats, busy = (int(word) for word in (sys.argv[1:] + ["50", "2"][len(sys.argv) - 1 :]))
    loads = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(busy)]
    differing = 0
    began = time.perf_counter()
    try:
        with tempfile.TemporaryDirectory() as folder:
            wanted = repeated(Path(folder), 0)
            for number in range(1, repeats + 1):
                changed = differences(wanted, repeated(Path(folder), number))
                differing += bool(changed)
                if changed:
                    print(f"run {number}: {', '.join(changed)}", flush=True)
                elif number % 10 == 0:
                    print(f"{number} runs, load {os.getloadavg()[0]:.1f}", flush=True)
    finally:
        for load in loads:
            load.kill()
    took = time.perf_counter() - began
    print(f"{repeats} repeats, {differing} differ from the first, {took:.0f} s")
    return int(differing > 0)


if __name__ == "__main__":
    sys.exit(main())
