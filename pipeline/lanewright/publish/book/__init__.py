"""The field book: a small two-sided book for the walk, legible in black and white.

Every number is the one in the GeoPackage.
"""

from __future__ import annotations

from pathlib import Path

from lanewright.publish.book.back import caution_pages, check_pages
from lanewright.publish.book.features import feature_pages
from lanewright.publish.book.front import map_page, table_page, title_page
from lanewright.publish.book.holes import hole_pages
from lanewright.publish.book.maps import Book
from lanewright.publish.book.paper import Paper
from lanewright.publish.book.writer import About, Writer, facts_of
from lanewright.publish.whole import beside

__all__ = ["About", "Book", "facts_of", "write_fieldbook"]


def write_fieldbook(path: Path, book: Book, about: About) -> None:
    """Write the book; replaces an earlier one once whole.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    with beside(path) as part:
        paper = Paper(part, f"{about.title}, field book", "Field book of a desk study", about.paper)
        w = Writer(paper, book, about)
        title_page(w)
        map_page(w)
        feature_pages(w)
        table_page(w)
        for hole in w.outing.holes:
            hole_pages(w, hole)
        check_pages(w)
        caution_pages(w)
        paper.save()
