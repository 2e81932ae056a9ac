"""The command line: arguments, progress, exit codes; the one place that prints.

Exit codes: 0 done, 1 a bug of ours, 2 the input or settings are wrong, 130 interrupted.
"""

from __future__ import annotations

import errno
import gc
import io
import logging
import os
import signal
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer
from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    TaskProgressColumn,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)

from lanewright import __version__
from lanewright.base.errors import InputError, lacking_package
from lanewright.base.processes import kill_running
from lanewright.base.steering import refuse_steering

if TYPE_CHECKING:
    from lanewright.settings.config import Config

StageName = Literal[
    "ingest",
    "survey",
    "ground",
    "terrain",
    "vegetation",
    "lanes",
    "marks",
    "scene",
    "features",
    "earlier",
    "changes",
    "flight",
    "legs",
    "holes",
    "trim",
    "cuts",
    "layout",
    "closer",
    "roundtees",
    "roundwork",
    "publish",
]

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Find where a property already holds disc golf holes, from lidar and elevation tiles.",
)
out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

ConfigPath = Annotated[Path, typer.Argument(help="Run configuration (YAML).", show_default=False)]
Threads = Annotated[
    int | None, typer.Option(min=1, help="Threads to use; by default all there are.")
]
OutFolder = Annotated[
    Path | None, typer.Option("--out", help="Folder of the results, instead of the one configured.")
]


@app.callback(invoke_without_command=True)
def _version(
    version: Annotated[bool, typer.Option("--version", help="Print the version.")] = False,
) -> None:
    if version:
        out.print(f"lanewright {__version__}")
        raise typer.Exit
    with _faults():
        refuse_steering(Path())


@app.command()
def scout(
    config: ConfigPath,
    out_folder: OutFolder = None,
    start_at: Annotated[
        StageName | None, typer.Option("--from", help="Make this stage and all after it anew.")
    ] = None,
    until: Annotated[StageName | None, typer.Option(help="Stop after this stage.")] = None,
    force: Annotated[bool, typer.Option("--force", help="Make every stage anew.")] = False,
    threads: Threads = None,
) -> None:
    """Run everything: tiles in, scored lines out."""
    with _faults():
        settings = _settings(config, out_folder)
        from lanewright.scout import run_all

        start = "ingest" if force else start_at
        with _display() as show:
            said = run_all(settings, show=show, start_at=start, stop_after=until, threads=threads)
        out.print(said, markup=False)


@app.command()
def check(config: ConfigPath, out_folder: OutFolder = None) -> None:
    """Say what the inputs hold, from their headers, and whether a run can work with them."""
    with _faults():
        settings = _settings(config, out_folder)
        from lanewright.check import check_all

        said, usable = check_all(settings)
        out.print(said, markup=False)
    if not usable:
        raise typer.Exit(2)


@app.command()
def score(config: ConfigPath, out_folder: OutFolder = None, threads: Threads = None) -> None:
    """Score only the lines in own_holes."""
    with _faults():
        settings = _settings(config, out_folder)
        if settings.own_holes is None:
            raise InputError(
                config, "own_holes is not set", "Name the file with your lines, tee first."
            )
        from lanewright.scout import run

        with _display() as show:
            said = run(settings, show=show, threads=threads, only_own=True)
        out.print(said, markup=False)


@app.command()
def rank(
    parcels: Annotated[
        Path, typer.Argument(help="Layer of parcels, any vector file.", show_default=False)
    ],
    config: ConfigPath,
    out_folder: OutFolder = None,
    depth: Annotated[
        Literal["quick", "full"],
        typer.Option(help="Quick ends with what the land offers, full with rounds of the best."),
    ] = "quick",
    best: Annotated[
        int | None, typer.Option(min=1, help="Parcels that --depth full runs to the end.")
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(min=1, help="Local processes, by default one a core; one opens no socket."),
    ] = None,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler to use instead.")
    ] = None,
) -> None:
    """Scout every parcel of a layer, and write one ranking of them."""
    with _faults():
        settings = _settings(config, out_folder)
        from lanewright.rank.command import Question
        from lanewright.rank.command import rank as ranked

        crew = workers or os.cpu_count() or 1
        question = Question(parcels, depth, best or settings.rank.best, crew, scheduler)
        with _display() as show:
            said = str(ranked(settings, question, show))
        out.print(showable(said), markup=False)


@app.command()
def doctor(
    out_folder: Annotated[
        Path, typer.Option("--out", help="Folder whose disk the results would go to.")
    ] = Path(),
) -> None:
    """Report versions, threads, memory, disk and optional parts, and run a short self-check."""
    with _faults():
        from lanewright.doctor.report import examine

        said, sound = examine(out_folder.resolve())
        out.print(said, markup=False)
    if not sound:
        raise typer.Exit(2)


BoundaryPath = Annotated[
    Path, typer.Argument(help="Boundary of the property, any vector file.", show_default=False)
]
SourcesFile = Annotated[
    Path | None, typer.Option("--sources", help="Sources to ask instead of ours (YAML).")
]
Only = Annotated[list[str] | None, typer.Option(help="Ask this source only; may be repeated.")]
Margin = Annotated[float, typer.Option(min=0, max=1000, help="Metres around the property.")]
BoundaryCrs = Annotated[str | None, typer.Option("--crs", help="CRS of a boundary without one.")]
Fresh = Annotated[bool, typer.Option("--fresh", help="Ask again what was asked today.")]


@app.command()
def find(
    boundary: BoundaryPath,
    sources: SourcesFile = None,
    only: Only = None,
    margin: Margin = 50.0,
    crs: BoundaryCrs = None,
    fresh: Fresh = False,
) -> None:
    """List public lidar and elevation for a boundary, the best first. Uses the network."""
    with _faults():
        from lanewright.fetch.command import Question, find_offers

        said = find_offers(Question(boundary, sources, tuple(only or ()), margin, crs, fresh))
        out.print(showable(said.text, most=1000), markup=False)


@app.command()
def get(
    boundary: BoundaryPath,
    into: Annotated[
        Path | None, typer.Option(help="Folder of the files; by default named for the boundary.")
    ] = None,
    take: Annotated[
        list[str] | None,
        typer.Option(help="Number or key of an offer that `find` prints; may be repeated."),
    ] = None,
    most: Annotated[float, typer.Option(min=0.001, max=10_000, help="GB fetched at most.")] = 20.0,
    sources: SourcesFile = None,
    only: Only = None,
    margin: Margin = 50.0,
    crs: BoundaryCrs = None,
) -> None:
    """Fetch lidar and elevation for a boundary, and write a configuration. Uses the network.

    Answers of catalogues are kept for a day; `find --fresh` asks them again.
    """
    with _faults():
        from lanewright.fetch.command import Question, get_offers

        question = Question(boundary, sources, tuple(only or ()), margin, crs)
        folder = into or Path(f"{boundary.stem}-tiles")
        say = lambda text: out.print(showable(text), markup=False)  # noqa: E731
        with _display() as show:
            get_offers(question, folder, tuple(take or ()), most, say, show("tiles"))


def _settings(path: Path, out_folder: Path | None) -> Config:
    from lanewright.settings.config import load

    settings = load(path)
    if out_folder is not None:
        settings = settings.model_copy(update={"out": out_folder.resolve()})
    return settings


@contextmanager
def _display() -> Iterator[Callable[[str], Callable[[float | None], None]]]:
    """Progress on a terminal, one bar a stage with the time that remains; nothing elsewhere."""
    if not err.is_terminal:
        yield lambda _stage: lambda _share: None
        return
    bars = Progress(
        TextColumn("{task.description:<11}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        TextColumn("left"),
        TimeRemainingColumn(),
        console=err,
        transient=False,
    )

    def show(stage: str) -> Callable[[float | None], None]:
        task = bars.add_task(stage, total=1.0)

        def move(share: float | None) -> None:
            bars.update(task, completed=1.0 if share is None else min(share, 1.0))

        return move

    with bars:
        yield show


@contextmanager
def _faults() -> Iterator[None]:
    """Turn what went wrong into one message and an exit code."""
    before = signal.signal(signal.SIGINT, _leave)
    try:
        yield
    except InputError as fault:
        err.print("error: ", style="bold red", end="")
        err.print(showable(str(fault)), markup=False)
        sys.exit(2)
    except Exception as fault:
        lack = lacking_package(fault) or _lacking(fault)
        if lack is not None:
            sys.stderr.write(f"error: {showable(lack)}\n")  # needs no memory to speak of
            sys.exit(2)
        trace = traceback.format_exc()
        log = logging.getLogger("lanewright")
        log.error("%s", trace)
        said = f"a bug in lanewright {__version__}: {type(fault).__name__}: {fault}"
        err.print(said, markup=False)
        if log.handlers:
            err.print("the traceback is in run.log of the out folder", markup=False)
        else:
            err.print(trace, markup=False)
        sys.exit(1)
    finally:
        signal.signal(signal.SIGINT, before)


def _leave(_number: int, _frame: object) -> None:
    """End at once, as if killed: what is stored is safe from that.

    An exception raised wherever the program happens to be may land in a call from compiled code,
    which crashes or takes it for a fault of its own.
    """
    kill_running()
    shown = b"\x1b[?25h" if err.is_terminal else b""  # a progress bar hides the cursor
    os.write(2, shown + b"interrupted; a rerun takes up where this one stopped\n")
    os._exit(130)


def _lacking(fault: BaseException) -> str | None:
    """What the machine lacked, if that is what went wrong."""
    seen: BaseException | None = fault
    while seen is not None:
        if isinstance(seen, OSError) and seen.errno in _FULL:
            return f"{seen.filename or 'the out folder'}: {_FULL[seen.errno]}."
        if isinstance(seen, MemoryError) or any(w in str(seen).lower() for w in _NO_MEMORY):
            return (
                "this machine, or the limit set for the run, has not enough memory. Close other "
                "programs, give a smaller property or a wider ingest.cell; earlier results stand."
            )
        seen = seen.__cause__ or seen.__context__
    return None


_NO_MEMORY = (
    "bad_alloc",
    "cannot allocate memory",
    "out of memory",
    "can't start new thread",
    "failed to map segment",
)
"""How libraries put it that no memory was to be had, in errors that are no `MemoryError`."""

_FULL = {
    errno.ENOSPC: "the disk is full. Make room or choose another out folder; earlier results stand",
    errno.EDQUOT: "the disk quota is used up. Make room or choose another out folder",
    errno.EFBIG: "a file grew beyond what is allowed there. Choose another out folder",
    errno.EROFS: "the disk cannot be written to. Choose another out folder",
    errno.EACCES: "permission is denied. Choose another out folder or change its permissions",
}


def showable(text: str, most: int = 40) -> str:
    r"""A message as a terminal can show it: signs that steer terminals escaped, length bounded.

    Parameters
    ----------
    most
        Lines; further ones but the last two are counted.

    Examples
    --------
    >>> print(showable("a\x1b[31m.laz: does not exist"))
    a\x1b[31m.laz: does not exist
    """
    plain = "".join(
        sign if sign.isprintable() or sign == "\n" else sign.encode("unicode_escape").decode()
        for sign in text
    )
    lines = [
        line if len(line) <= LONGEST_LINE else line[: LONGEST_LINE // 2] + " … " + line[-200:]
        for line in plain.split("\n")
    ]
    if len(lines) > most:
        left = len(lines) - most
        lines = [*lines[: most - 2], f"  and {left:,} more", *lines[-2:]]
    return "\n".join(lines)


LONGEST_LINE = 700
"""Characters of a line of a message."""


def _write_what_fits() -> None:
    """Signs that the terminal's encoding lacks are written as escapes, not as an error."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def main() -> None:
    """Entry point of the command `lanewright`."""
    _write_what_fits()
    # Tables and compiled code are a million objects that live to the end; at Python's own 700 new
    # ones they are searched for cycles over and over, a twelfth of a small run.
    gc.set_threshold(10_000)
    app()
