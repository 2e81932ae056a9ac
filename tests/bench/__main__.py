"""All benchmarks, one after another: `python tests/bench`.

Each prints our figure beside a peer's on the same work in the same run, as a ratio. Names given
choose some of them: `python tests/bench slope reading`.
"""

import runpy
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
BENCHES = (
    "slope",
    "flow",
    "reading",
    "ground",
    "march",
    "throws",
    "trim",
    "constants",
    "truth",
    "publishing",
    "rank",
    "rounds",
    "whole",
)

if __name__ == "__main__":
    chosen = sys.argv[1:] or BENCHES
    unknown = set(chosen) - set(BENCHES)
    if unknown:
        sys.exit(f"no bench named {', '.join(sorted(unknown))}; there are {', '.join(BENCHES)}")
    for name in chosen:
        print(f"\n## {name}\n", flush=True)
        sys.argv = [name]
        runpy.run_path(str(HERE / f"{name}.py"), run_name="__main__")
