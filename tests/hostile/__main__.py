"""Bad inputs of every role, and how the command ends on each.

    python tests/hostile                  all cases, a table
    python tests/hostile yaml property    only these roles
    python tests/hostile --show           what was printed, too
    python tests/hostile --fast           the part that the tests run
    python tests/hostile --mutate 1000    good files changed at random, through our own parsers
    python tests/hostile --fuzz yaml -max_total_time=60     fuzzing, where atheris is installed

Exit code 1 if a case did not end as it should.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / part) for part in ("pipeline", "sample_tiles", "tests")]
sys.path[:] = [p for p in sys.path if Path(p or ".").resolve() != Path(__file__).parent]

if "--fuzz" not in sys.argv:  # what is fuzzed must not be imported before it is instrumented
    from hostile import cases, mutations, runner
from hostile import fuzz  # noqa: E402


def table(ends: list[runner.End]) -> str:
    """Roles by how their cases ended."""
    roles = list(dict.fromkeys(end.case.role for end in ends))
    width = max(len("role"), *(len(role) for role in roles)) + 2
    lines = [f"{'role':<{width}}{'cases':>7}" + "".join(f"{h:>13}" for h in runner.ENDS)]
    counts = Counter((end.case.role, end.how) for end in ends)
    for role in [*roles, "all"]:
        row = [sum(counts[r, h] for r in (roles if role == "all" else [role])) for h in runner.ENDS]
        lines.append(f"{role:<{width}}{sum(row):>7}" + "".join(f"{n:>13}" for n in row))
    return "\n".join(lines)


def main() -> int:
    """Run the cases asked for and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("roles", nargs="*")
    parser.add_argument("--show", action="store_true")
    parser.add_argument("--fast", action="store_true")
    parser.add_argument("--only", default="", help="part of a case's title")
    parser.add_argument("--workers", type=int, default=min(2, os.cpu_count() or 1))
    parser.add_argument("--mutate", type=int, default=0, help="run so many mutations instead")
    parser.add_argument("--seed", type=int, default=1, help="of the mutations")
    parser.add_argument("--fuzz", default="", help="fuzz this parser with atheris instead")
    given, options = parser.parse_known_args()
    if given.mutate:
        return mutations.report(given.roles, given.mutate, given.seed)
    if given.fuzz:
        fuzz.fuzz(given.fuzz, options)
    chosen = [
        case
        for case in (cases.fast() if given.fast else cases.every())
        if (not given.roles or case.role in given.roles) and given.only in case.title
    ]
    ends: list[runner.End] = []

    def note(end: runner.End) -> None:
        ends.append(end)
        if given.show or not runner.good_end(end):
            said = end.said.strip()
            said = said if given.show else (said.splitlines() or [""])[-1][:300]
            print(f"[{end.how}] {end.case.title} ({end.seconds:.1f} s): {said}")

    with tempfile.TemporaryDirectory() as scratch:
        runner.run(chosen, Path(scratch), given.workers, note)
    order = {case.title: k for k, case in enumerate(chosen)}
    ends.sort(key=lambda end: order[end.case.title])
    print(table(ends))
    slowest = max(ends, key=lambda end: end.seconds)
    bad = [end for end in ends if not runner.good_end(end)]
    print(f"slowest: {slowest.case.title}, {slowest.seconds:.1f} s of processor time")
    print(f"{len(ends)} cases, {len(bad)} ended otherwise than they should")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
