"""Rounds as published, held against what the trade asks of them.

    python tests/bench/rounds.py [CONFIG ...] [--seeds N]

Scouts each configuration (the demo without any) and prints, for every proposal, what a designer
asks first. With `--seeds` the layout is made again from other seeds of the search: how far apart
the rounds come out. Figures of the trade stand beside ours: walks a quarter of the play, no walk
over 91 m (300 ft), nines that come home; common practice, no source.
"""

import argparse
import json
import os
import resource
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import shapely

from lanewright.scout import run
from lanewright.settings.config import load

ROOT = Path(__file__).resolve().parents[2]
WHERE = 12.0  # m from tee to tee and from basket to basket within which two holes are one place


def places(holes):
    """Tees and baskets of holes (n, 4)."""
    lines = holes.geometry.to_numpy()
    ends = [shapely.get_coordinates(shapely.get_point(lines, k)) for k in (0, -1)]
    return np.hstack(ends)


def shared(one, other):
    """Holes of one round that lie where another has one."""
    away = places(one)[:, None] - places(other)[None]
    near = [np.hypot(away[..., k], away[..., k + 1]) <= WHERE for k in (0, 2)]
    return int((near[0] & near[1]).any(1).sum())


def rows_of(out: Path):
    """One row of figures for each proposal of a finished run."""
    summary = json.loads((out / "summary.json").read_text())
    layout = summary["findings"]["layout"]
    if not layout.get("proposals"):
        return [], summary
    holes = gpd.read_file(out / "scout.gpkg", layer="layout_holes")
    walks = gpd.read_file(out / "scout.gpkg", layer="layout_walks")
    near = gpd.read_file(out / "scout.gpkg", layer="layout_neighbours")
    start = np.array([layout["start"]["x"], layout["start"]["y"]])
    rows = []
    for each in layout["proposals"]:
        number = each["proposal"]
        mine = holes[holes["proposal"] == number].sort_values("play_order")
        ways = walks[walks["proposal"] == number]
        others = [holes[holes["proposal"] == n] for n in holes["proposal"].unique() if n != number]
        half = places(mine.iloc[[len(mine) // 2 - 1]])[0, 2:] if len(mine) > 1 else start
        crossed = int(ways["crosses"].notna().sum())
        price = summary["settings"]["layout"]["weights"]["crossing"]
        rows.append(
            {
                "idea": each["idea"],
                "holes": len(mine),
                "play m": round(mine["length_m"].sum()),
                "walks m": round(ways["length_m"].sum()),
                "walks/play": round(ways["length_m"].sum() / mine["length_m"].sum(), 2),
                "longest": round(ways["length_m"].max()),
                "par 4+": int((mine["par"] > 3).sum()),
                "short of mix": ", ".join(each["short of the mix"]) or "-",
                "crossings": crossed,
                "charged": round(-each["terms"]["crossings"] / price) if price else 0,
                "shared": max([shared(mine, other) for other in others], default=0),
                "halfway basket to arrival m": round(float(np.hypot(*(half - start)))),
                "features": sum(bool(row["holes"]) for row in each["features"]),
                "least margin m": round(near.loc[near["proposal"] == number, "margin_m"].min(), 1),
                "points": round(each["points"]),
                "gap": round(each["gap_points"]),
                "score": round(each["mean_score"], 2),
            }
        )
    return rows, summary


def show(rows, summary, cpu, wall):
    """Print a table, the figures of a proposal in a row."""
    for name in rows[0] if rows else ():
        print(f"  {name:<28}" + "".join(f"{row[name]!s:>22}" for row in rows))
    broken = summary["findings"]["layout"].get("rules_broken", {})
    print("  rules broken:", {k: len(v) for k, v in broken.items()} or "no layout")
    stage = next((s for s in summary["stages"] if s["stage"] == "layout"), {})
    print(
        f"  stage layout {stage.get('seconds', 0):.0f} s; whole run {cpu:.0f} s CPU, {wall:.0f} s"
    )


def scouted(config, out, changes):
    """Scout a configuration into a folder with some settings changed; CPU and wall seconds."""
    settings = load(config)
    solver = settings.layout.solver.model_copy(update=changes)
    layout = settings.layout.model_copy(update={"solver": solver})
    began, used = time.perf_counter(), resource.getrusage(resource.RUSAGE_SELF)
    run(settings.model_copy(update={"layout": layout, "out": out}))
    after = resource.getrusage(resource.RUSAGE_SELF)
    cpu = after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime
    return cpu, time.perf_counter() - began


def main() -> None:
    """Scout, print."""
    given = argparse.ArgumentParser(description=__doc__)
    given.add_argument("configs", nargs="*", type=Path)
    given.add_argument("--seeds", type=int, default=1)
    args = given.parse_args(sys.argv[1:])
    demo = ROOT / "configs" / "hollow-creek.yaml"
    with tempfile.TemporaryDirectory() as name:
        base = Path(os.environ.get("LANEWRIGHT_BENCH", name))
        for config in args.configs or [demo]:
            out, points = base / f"rounds-{config.stem}", []
            for seed in range(1, args.seeds + 1):
                cpu, wall = scouted(config, out, {"seed": seed})
                rows, summary = rows_of(out)
                print(f"{config.stem}, seed {seed}")
                show(rows, summary, cpu, wall)
                points.append([row["walks/play"] for row in rows])
            if args.seeds > 1 and len({len(each) for each in points}) == 1:
                low, high = np.min(points, 0), np.max(points, 0)
                print(f"{config.stem}: walks/play over {args.seeds} seeds {low} to {high}")
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
