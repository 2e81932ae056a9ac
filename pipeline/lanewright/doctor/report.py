"""The report of `lanewright doctor`, and whether a run can work here."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from lanewright.base.errors import INSTALL, InputError
from lanewright.doctor.machine import Item, examined, machine

if TYPE_CHECKING:
    from lanewright.doctor.selfcheck import Finding

_SIGNS = {"ok": "ok", "absent": "--", "look": "!", "missing": "MISSING"}


def examine(out: Path) -> tuple[str, bool]:
    """Text of the report, and whether nothing that a run needs is missing."""
    items = [*machine(out), examined("self-check", _self_check)]
    sound = all(item.state != "missing" for item in items)
    verdict = "a run can work here" if sound else "a run cannot work here; mend what is missing"
    return "\n".join([*(_line(item) for item in items), "", f"verdict: {verdict}"]), sound


def check_itself() -> tuple[list[Finding], float]:
    """What the self-check finds; it needs every stage, so it is imported last."""
    from lanewright.doctor.selfcheck import check_itself as check

    return check()


def _self_check() -> Item:
    """The tiny land's answers; a crash of ours is left to the command line, as any bug is."""
    try:
        findings, seconds = check_itself()
    except InputError as fault:
        return Item("self-check", fault.problem, "missing", fault.remedy)
    wrong = [f"{f.what} {f.found:.2f} instead of {f.truth:.2f}" for f in findings if not f.holds]
    if wrong:
        return Item("self-check", "; ".join(wrong), "missing", f"{INSTALL} Report it if it stays.")
    said = ", ".join(f"{f.what} {f.found:.2f}" for f in findings)
    return Item("self-check", f"{len(findings)} known answers met in {seconds:.0f} s: {said}")


def _line(item: Item) -> str:
    mend = f"\n{'':>8} {'':21} {item.mend}" if item.mend else ""
    return f"{_SIGNS[item.state]:>8} {item.name:21} {item.found}{mend}"
