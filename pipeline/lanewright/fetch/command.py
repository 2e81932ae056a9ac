"""What `lanewright find` and `lanewright get` do."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from lanewright.base.errors import InputError
from lanewright.fetch.catalogue import Offer, chosen, describe, place_of, search
from lanewright.fetch.client import Manners
from lanewright.fetch.configuration import write_configuration
from lanewright.fetch.get import Job, get, totals
from lanewright.fetch.products import Place
from lanewright.fetch.sources import Source, load_sources
from lanewright.fetch.store import Pages, cache_folder


@dataclass(frozen=True)
class Question:
    """What is asked for.

    Attributes
    ----------
    sources
        File of sources; None for ours.
    only
        Names of the sources to ask; all if empty.
    margin
        Metres around the property.
    crs
        CRS of a boundary that states none.
    fresh
        Do not take pages that were kept.
    """

    boundary: Path
    sources: Path | None = None
    only: tuple[str, ...] = ()
    margin: float = 50.0
    crs: str | None = None
    fresh: bool = False
    manners: Manners | None = None


@dataclass(frozen=True)
class Found:
    """What the sources offer."""

    place: Place
    offers: list[Offer]
    sources: dict[str, Source]
    text: str


def find_offers(question: Question) -> Found:
    """Offers for a boundary, in order, and the text that lists them.

    Raises
    ------
    InputError
        If the boundary or every source is at fault.
    """
    place = place_of(question.boundary, question.crs)
    sources = load_sources(question.sources)
    for name in question.only:
        if name not in sources:
            raise InputError(
                "--only", f"{name!r} is no source", f"Choose from {', '.join(sources)}."
            )
    asked = {n: s for n, s in sources.items() if not question.only or n in question.only}
    pages = Pages(cache_folder(), age=0.0) if question.fresh else Pages(cache_folder())
    offers, notes = search(asked, place, question.margin, pages, question.manners)
    lines = [describe(offers, place)] if offers else ["nothing is offered for this boundary"]
    lines += [f"note: {note}" for note in notes]
    return Found(place, offers, asked, "\n".join(lines))


def get_offers(
    question: Question,
    folder: Path,
    take: tuple[str, ...],
    most_gb: float,
    say: Callable[[str], None],
    progress: Callable[[float | None], None] = lambda _share: None,
) -> Path:
    """Fetch the chosen offers and write a configuration beside them; its path.

    Raises
    ------
    InputError
        If something is at fault; what was fetched stays for a rerun.
    """
    found = find_offers(question)
    offers = chosen(found.offers, take)
    job = Job(folder, found.place, question.margin, round(most_gb * 1e9), question.manners)
    _check_folder(folder)
    say("chosen: " + "; ".join(f"{o.first.project} ({o.first.source})" for o in offers))
    say(totals(offers, job).said(folder))
    files, said = get(offers, found.sources, job, progress)
    progress(None)
    for line in said:
        say(line)
    path = write_configuration(folder, question.boundary, offers, files, found.place)
    say(f"wrote {path}; next: lanewright check {path}, then lanewright scout {path}")
    return path


def _check_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError as err:
        raise InputError(
            folder, f"cannot be written to ({err.strerror})", "Choose another with --into."
        ) from None
