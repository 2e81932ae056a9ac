"""What constants of ours decide: each halved and doubled, and what is found then.

    python tests/bench constants [out folder of a finished run]

Takes the stage store of a finished run made by `configs/hollow-creek.yaml` and looks for legs and
holes once more with one constant changed at a time. For each it prints how many candidate holes
there are (without lanes to cut), how many of the 200 best fair ones of the best level are found
again (tee and basket within 12 m), and the rank correlation of the scores of those found again.
"""

import sys
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import shapely
from scipy.stats import spearmanr

from lanewright.finished.stored import stored_results
from lanewright.holes.holes import find_holes
from lanewright.legs.legs import find_legs
from lanewright.settings.config import load

ROOT = Path(__file__).resolve().parents[2]
BEST, SAME = 200, 12.0

OF_LEGS = {
    "legs.choose": ("STAND_INS", "EACH"),
    "legs.fair": ("STEP", "FEW"),
    "legs.interest": ("WALLS", "ONE_SIDE", "BARRED", "CARRY", "HOLLOW", "DROP", "FALL", "RISK",
                      "STANDS_OVER"),
    "legs.scores": ("_CLIMB", "_DROP", "_SIDE", "_TEE", "_LANDING", "_CARRY"),
    "legs.measure": ("ROOFED", "BESIDE", "BRUSH_TOP"),
    "legs.contacts": ("BRUSH", "UNDER_CANOPY"),
    "legs.sites": ("PAD", "ROOMY"),
    "legs.worlds": ("DENSITY", "STEMS"),
}  # fmt: skip
OF_HOLES = {
    "holes.choose": ("FEW", "LEADS", "SOME"),
    "holes.furtherlegs": ("TRIED",),
    "holes.judge": ("WATER",),
    "holes.positions": ("ASIDE", "APART"),
    "holes.routes": ("WAYS", "LONGER", "ROUND", "ZONES"),
    "holes.zones": ("ZONE",),
    "holes.par": ("VERY_TIGHT", "WIDEST_WOODED", "WIDTH_FOR_TWO_THIRDS"),
}


@contextmanager
def changed(module: str, name: str, factor: float):
    """One constant times a factor, wherever it was imported; of a curve, where it bends."""
    was = getattr(sys.modules[f"lanewright.{module}"], name)
    if isinstance(was, tuple):
        now = (tuple(factor * x for x in was[0]), *was[1:])
    else:
        now = type(was)(max(was * factor, 1) if isinstance(was, int) else was * factor)
    there = [m for key, m in sys.modules.items()
             if key.startswith("lanewright.") and getattr(m, name, None) is was]  # fmt: skip
    for place in there:
        setattr(place, name, now)
    try:
        yield now
    finally:
        for place in there:
            setattr(place, name, was)


def best_of(holes, level: str):
    """The best fair holes of a level: ends (n, 4) and scores (n,)."""
    frame = holes.holes[(holes.holes["level"] == level) & (holes.holes["score"] > 0)]
    frame = frame.sort_values("score", ascending=False, kind="stable")
    ends = [shapely.get_coordinates(g)[[0, -1]].ravel() for g in frame.geometry]
    return np.array(ends), frame["score"].to_numpy()


def line(name: str, base, found, count: int) -> None:
    """How much of the best is found again, and in which order."""
    ends, score = found
    again, scores = 0, []
    for place, was in zip(base[0][:BEST], base[1][:BEST], strict=True):
        apart = np.maximum(*(np.hypot(*(ends[:, k : k + 2] - place[k : k + 2]).T) for k in (0, 2)))
        if apart.min() <= SAME:
            again += 1
            scores.append((was, score[apart.argmin()]))
    ranks = spearmanr(*np.array(scores).T).statistic if len(scores) > 2 else np.nan
    print(f"{name:48s} {count:6d} {again / BEST:8.0%} {ranks:8.2f}", flush=True)


def main() -> None:
    """Load a run's stages and look for legs and holes with one thing changed at a time."""
    config = load(ROOT / "configs" / "hollow-creek.yaml")
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "outputs" / "hollow-creek"
    stored = stored_results(out, config)
    scene, flights = stored.scene, stored.flights
    rules = config.legs, config.layout.hole, config.layout.safety
    level = flights.levels[0].level.name

    def holes_of(legs):
        return find_holes(scene, flights, (legs, legs.legs.iloc[:0]), *rules)

    legs = find_legs(scene, flights, config.legs)
    first = holes_of(legs)
    base = best_of(first, level)
    print(f"{'changed':48s} {'holes':>6s} {'of best':>8s} {'ranks':>8s}")
    for module, names in (OF_LEGS | OF_HOLES).items():
        for name in names:
            for factor in (0.5, 2.0):
                with changed(module, name, factor) as now:
                    given = legs
                    if module in OF_LEGS:
                        given = find_legs(scene, flights, config.legs)
                    found = holes_of(given)
                line(f"{module}.{name} = {now}"[:48], base, best_of(found, level), len(found.holes))


if __name__ == "__main__":
    main()
