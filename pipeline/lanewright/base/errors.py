"""What a user can put right. Everything else is a bug of ours and keeps its traceback."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

T = TypeVar("T")

NAMED = 3
"""Files named where many have the same to report."""


class InputError(Exception):
    """Wrong input or settings: says where, what is wrong, and what to do.

    Parameters
    ----------
    where
        The file, or the settings key, that is at fault.
    problem
        What is wrong with it, in one clause.
    remedy
        What the reader can do about it, naming the setting where there is one.
    """

    def __init__(self, where: object, problem: str, remedy: str) -> None:
        end = "" if problem.endswith("\n") else ". "  # a list of faults ends its last line
        super().__init__(f"{where}: {problem}{end}{remedy}")
        self.where = str(where)
        self.problem = problem
        self.remedy = remedy

    def __reduce__(self) -> tuple[type[InputError], tuple[str, str, str]]:
        # Readers run in worker processes; the error must survive the way back.
        return (type(self), (self.where, self.problem, self.remedy))


@dataclass
class Faults:
    """Faults met so far; reading goes on past them, so that one message names them all."""

    found: list[InputError] = field(default_factory=list)

    def attempt(self, read: Callable[[], T]) -> T | None:
        """What `read` returns; None if it found a fault."""
        try:
            return read()
        except InputError as err:
            self.found.append(err)
            return None

    def stop(self) -> None:
        """Raise all that was found, if anything was."""
        if self.found:
            raise together(list({str(fault): fault for fault in self.found}.values()))


INSTALL = "In the environment that runs lanewright: pip install -c tests/constraints.txt -e ."
"""What to do about a package that is missing."""


def lacking_package(fault: BaseException) -> str | None:
    """What to report of a package that is not installed; None if it is something else."""
    if not isinstance(fault, ModuleNotFoundError) or not fault.name:
        return None
    name = fault.name.partition(".")[0]
    return None if name == "lanewright" else f"the package {name} is not installed. {INSTALL}"


def together(faults: list[InputError]) -> InputError:
    """One error that says everything several said; the same fault of many files is said once."""
    if len(faults) == 1:
        return faults[0]
    groups: dict[tuple[str, str], list[str]] = {}
    for fault in faults:
        groups.setdefault((fault.problem, fault.remedy), []).append(fault.where)
    text = "".join(
        f"\n  {some(where)}: {problem}. {remedy}" for (problem, remedy), where in groups.items()
    )
    return InputError(f"{len(faults)} inputs", "cannot be used", f"Mend or leave out each:{text}")


def some(names: list[str]) -> str:
    """The first names, and how many more there are."""
    more = len(names) - NAMED
    return ", ".join(names) if more <= 0 else f"{', '.join(names[:NAMED])} and {more} more"
