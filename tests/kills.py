"""Kill runs of a small property at random moments; the results must be those of an undisturbed one.

    python tests/kills.py [kills] [seed]

Runs are forked from a process that has loaded everything but begun nothing, so that a hundred of
them need not load a hundred times. A run is killed (SIGKILL) up to ten times in a row at random
moments, each time going on from what the one before left; then it may finish, and everything
published is compared with what a run that nobody disturbed gave, byte by byte. Each kill is aimed
at one stage and counted for the one that was at work when it came. Ends with 1 if any differed.
"""

import collections
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parent / "pipeline"), str(HERE.parent / "sample_tiles"), str(HERE)]

import lanewright.layout.proposals  # noqa: E402
import lanewright.publish.results  # noqa: E402
from lanewright.cli import app  # noqa: E402
from run.runs import lanewright, results  # noqa: E402

STAGES = (
    "ingest", "survey", "ground", "terrain", "vegetation", "lanes", "marks", "scene", "features",
    "flight", "legs", "holes", "trim", "cuts", "layout", "closer", "roundtees", "roundwork",
    "publish",
)  # fmt: skip
IN_A_ROW = 10
_DONE = re.compile(r" (\w+): (?:done in ([\d.]+) s|nothing changed)")


def stages_done(log: Path) -> list[tuple[str, float]]:
    """Stages that the last run in a log has done, with the seconds of those it made."""
    text = log.read_text("utf-8", "replace") if log.exists() else ""
    last = text.rpartition(" threads\n")[2]
    return [(name, float(took or 0)) for name, took in _DONE.findall(last) if name in STAGES]


def killed(config: Path, aim: str, after: float) -> str | None:
    """Start a run and kill it `after` seconds into a stage; the stage it was in, None if done."""
    log = config.parent / "out" / "run.log"
    before = len(log.read_text("utf-8", "replace").split(" threads\n")) if log.exists() else 1
    child = os.fork()
    if child == 0:
        os.setsid()
        for number in (0, 1, 2):
            os.dup2(os.open(os.devnull, os.O_RDWR), number)
        try:
            app(["scout", str(config)], standalone_mode=False)
        finally:
            os._exit(0)
    wanted = STAGES.index(aim)
    while not ended(child):
        text = log.read_text("utf-8", "replace") if log.exists() else ""
        begun = len(text.split(" threads\n")) > before
        if begun and len(stages_done(log)) >= wanted:
            break
        time.sleep(0.002)
    time.sleep(after)
    if ended(child):
        os.waitpid(child, 0)
        return None
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    done = len(stages_done(log))
    return STAGES[done] if done < len(STAGES) else None


def ended(child: int) -> bool:
    """Whether a child has ended; it is still to be waited for."""
    return os.waitid(os.P_PID, child, os.WEXITED | os.WNOHANG | os.WNOWAIT) is not None


def batch(folder: Path, wanted: dict[str, str], took: dict[str, float], kills: int,
          chance: random.Random, hits: collections.Counter[str]) -> list[str]:  # fmt: skip
    """Kill one run that often, let it finish, and name what differs from the undisturbed one."""
    config = folder / "run.yaml"
    for aim in sorted(chance.sample(STAGES, kills), key=STAGES.index):
        stage = killed(config, aim, chance.uniform(0, took[aim]))
        if stage:
            hits[stage] += 1
    done = lanewright("scout", config)
    if done.returncode:
        return [done.stderr]
    got = results(folder / "out")
    left = [p.name for p in (folder / "out" / ".stages").glob("*.part")]
    return left + sorted(n for n in wanted.keys() | got.keys() if wanted.get(n) != got.get(n))


def main(kills: int = 100, seed: int = 1) -> int:
    """Kill and compare."""
    chance, hits, faults = random.Random(seed), collections.Counter[str](), 0
    with tempfile.TemporaryDirectory() as place:
        undisturbed = Path(place) / "undisturbed"
        undisturbed.mkdir()
        small = f"import sys; sys.path[:0] = {sys.path!r}; import small, pathlib; "
        small += f"small.small_property(pathlib.Path({str(undisturbed)!r}))"
        subprocess.run([sys.executable, "-c", small], check=True)
        given = [p for p in undisturbed.iterdir() if p.is_file()]
        config = undisturbed / "run.yaml"
        lanewright("scout", config)  # compiles what is not compiled yet
        done = lanewright("scout", config, "--force")
        if done.returncode:
            raise SystemExit(done.stderr)
        wanted = results(undisturbed / "out")
        took = dict(stages_done(undisturbed / "out" / "run.log"))
        while sum(hits.values()) < kills:
            folder = Path(place) / f"{sum(hits.values())}"
            folder.mkdir()
            for path in given:
                shutil.copy(path, folder)
            many = min(IN_A_ROW, kills - sum(hits.values()))
            differing = batch(folder, wanted, took, many, chance, hits)
            faults += bool(differing)
            print(f"{sum(hits.values())} kills: {', '.join(differing) or 'as undisturbed'}",
                  flush=True)  # fmt: skip
    print(", ".join(f"{stage} {hits[stage]}" for stage in STAGES))
    print(f"{sum(hits.values())} kills, {faults} runs differ from the undisturbed one")
    return int(faults > 0)


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
