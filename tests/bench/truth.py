"""What is said of legs, lanes and density beside the truth of planted woods.

    python tests/bench truth
    python tests/bench/truth.py [broadleaf pines flat_roof] [2 8 20] [seeds=4]

Every world is surveyed and judged (`tests/judged.py`), then figures are pooled over seeds: the bias
of clear rates by kind of leg, how often the band holds the truth, Brier scores beside the least
that they can be, reliability in ten bins; how much of planted lanes is named, how much of what is
named is free, how wide it is called; density by metre of height over the truth.
"""

import sys
import time
from pathlib import Path

import numpy as np
import pandas as pd

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "sample_tiles"), str(ROOT / "tests")]

import judged as judging  # noqa: E402
import truth_worlds  # noqa: E402


def main(arguments: list[str]) -> None:
    """Judge worlds and print."""
    kinds = [a for a in arguments if a in truth_worlds.KINDS] or list(truth_worlds.KINDS)
    pulses = [float(a) for a in arguments if a.isdigit()] or [2.0, 8.0, 20.0]
    seeds = next((int(a[6:]) for a in arguments if a.startswith("seeds=")), 4)
    begin = time.process_time()
    judged = [
        judging.judge(kind, density, seed)
        for kind in kinds
        for seed in range(1, seeds + 1)
        for density in pulses
    ]
    show(*(pd.concat([getattr(j, name) for j in judged]) for name in
           ("legs", "tunnels", "named", "density")))  # fmt: skip
    print(f"\n{len(judged)} worlds, {time.process_time() - begin:.0f} s of CPU")


def show(legs, tunnels, named, density) -> None:
    """Print all tables."""
    legs = legs.assign(
        error=legs.said - legs.true,
        square=(legs.said - legs.true) ** 2,
        floor=legs.true * (1 - legs.true),
        held=(legs.true >= legs.low) & (legs.true <= legs.high),
        wide=legs.high - legs.low,
    )
    order = list(judging.LEGS)
    print("\nSaid minus true of clear rates; share of legs whose band holds the truth; its width")
    for name, group in [*legs.groupby("world"), ("all", legs)]:
        print(f"\n{name}")
        cells = group.groupby(["kind", "pulses"]).agg(
            true=("true", "mean"), bias=("error", "mean"), rms=("square", "mean"),
            held=("held", "mean"), wide=("wide", "mean"),
        )  # fmt: skip
        cells["rms"] **= 0.5
        cells = cells.unstack().reindex(order)
        print(cells.round(2).to_string())
    print("\nBrier score of a throw, and the least possible")
    scores = legs.assign(brier=legs.square + legs.floor).groupby(["kind", "pulses"])
    print(scores[["brier", "floor"]].mean().unstack().reindex(order).round(3).to_string())
    print("\nReliability: mean of what is true where a tenth is said (legs)")
    tenth = np.minimum((legs.said * 10).astype(int), 9)
    bins = legs.groupby([tenth, "pulses"]).agg(
        said=("said", "mean"), true=("true", "mean"), legs=("true", "size")
    )
    print(bins.unstack().round(2).to_string())
    print("\nShare of planted lanes named their kind; bias of width [m]")
    widths = tunnels.assign(bias=tunnels.said_width - tunnels.width)
    print(
        widths.groupby(["world", "kind", "pulses"])
        .agg(found=("found", "mean"), width_bias=("bias", "mean")).unstack().round(2).to_string()
    )  # fmt: skip
    print("\nMetres named, and the share of them that is free in truth")
    sums = named.groupby(["world", "kind", "pulses"])[["metres", "free"]].sum()
    sums["share"] = sums.free / sums.metres.clip(lower=1)
    print(sums[["metres", "share"]].unstack().round(2).to_string())
    print("\nDensity said over true, by metres over the ground")
    means = density.groupby(["world", "from", "pulses"])[["said", "true"]].mean()
    means["ratio"] = means.said / means.true
    print(means[["true", "ratio"]].unstack().round(3).to_string())


if __name__ == "__main__":
    main(sys.argv[1:])
