"""Pages of a small book that is printed on both sides: margins, headings, text, tables, boxes.

ReportLab draws, for it embeds TrueType fonts, takes no markup from plain strings and gives the
same bytes for the same pages. The font is DejaVu Sans, which matplotlib carries: Latin, Greek,
Cyrillic and more, with figures of one width.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import matplotlib as mpl
from reportlab import rl_config
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

MM = 72 / 25.4
"""Points in a millimetre."""

PAPERS = {
    "a5": (148.0 * MM, 210.0 * MM),
    "half-letter": (5.5 * 72, 8.5 * 72),
    "a3": (420.0 * MM, 297.0 * MM),
    "tabloid": (17.0 * 72, 11.0 * 72),
}

PLAIN, BOLD = "field-plain", "field-bold"

rl_config.useA85 = 0  # streams as bytes, not as text a quarter longer

CAPTION = 7.5
"""Size of what stands below a drawing [points]."""

BODY = 9.0
"""Size of running text, lists and tables of the book [points]: read outdoors, at arm's length."""

_INNER, _OUTER, _TOP, _BOTTOM = 17 * MM, 9 * MM, 10 * MM, 12 * MM
_SMALL = 6.6
_GAP = 6.0  # points between the columns of a table
_FILES = {PLAIN: "DejaVuSans.ttf", BOLD: "DejaVuSans-Bold.ttf"}

LACKING = "▯"
"""Stands for a character that the font has no glyph for: Chinese, Japanese, Korean, most emoji."""


@dataclass(frozen=True)
class Column:
    """Column of a table: heading, width as a share of the table, and where its text stands."""

    heading: str
    width: float
    align: str = "left"


class Paper:
    """A book being printed; all measures in points from the lower left corner.

    Parameters
    ----------
    path
        File to write.
    title, about
        For the file's own title and subject, and the foot of each page.
    size
        Key of `PAPERS`.
    """

    def __init__(self, path: Path, title: str, about: str, size: str) -> None:
        self._glyphs: dict[str, set[int]] = {}
        for name, file in _FILES.items():
            if name not in pdfmetrics.getRegisteredFontNames():
                folder = Path(mpl.get_data_path()) / "fonts" / "ttf"
                pdfmetrics.registerFont(TTFont(name, str(folder / file)))
            font = pdfmetrics.getFont(name)
            self._glyphs[name] = set(font.face.charToGlyph) if isinstance(font, TTFont) else set()
        self.width, self.height = PAPERS[size]
        # A font of our own from the start: else every page names one that is not embedded.
        self.canvas = Canvas(
            str(path),
            pagesize=(self.width, self.height),
            invariant=1,
            pageCompression=1,
            initialFontName=PLAIN,  # type: ignore[arg-type]
            lang="en",
        )
        self.canvas.setTitle(title)
        self.canvas.setSubject(about)
        self.canvas.setCreator("Lanewright")
        self.canvas.setAuthor("Lanewright")
        self._title = title
        self.page = 0
        self.y = 0.0
        self._again: Callable[[], None] = lambda: None
        self._lacking = False

    # --- pages

    @property
    def left(self) -> float:
        """Left edge of the text: odd pages lie to the right of the fold."""
        return _INNER if self.page % 2 else _OUTER

    @property
    def right(self) -> float:
        """Right edge of the text."""
        return self.width - (_OUTER if self.page % 2 else _INNER)

    @property
    def top(self) -> float:
        """Upper edge of the text."""
        return self.height - _TOP

    @property
    def bottom(self) -> float:
        """Lower edge of the text."""
        return _BOTTOM

    @property
    def wide(self) -> float:
        """Width of the text."""
        return self.right - self.left

    def begin(
        self, heading: str, aside: str = "", *, bookmark: str | None = None, level: int = 0
    ) -> None:
        """Start a page with a heading; `y` then stands below it.

        `bookmark` is the entry in the reader's outline, by default none.
        """
        if self.page:
            self.canvas.showPage()
        self.page += 1
        if bookmark is not None:
            key = f"page-{self.page}"
            self.canvas.bookmarkPage(key)
            self.canvas.addOutlineEntry(bookmark, key, level)
        self.y = self.top
        if heading:
            aside_width = self.measure(aside, 7.5) + 6 if aside else 0
            size = self.shrunk(heading, 13, self.wide - aside_width, bold=True)
            self.put(self.left, self.top - 10, heading, size, bold=True)
            if aside:
                self.put(self.right, self.top - 10, aside, 7.5, align="right")
            self.rule(self.top - 15, 0.9)
            self.y = self.top - 24
        foot = self.bottom - 14
        number = str(self.page)
        title = self.cut(self._title, _SMALL, self.wide - 40)
        if self.page % 2:
            self.put(self.right, foot, number, 8, bold=True, align="right")
            self.put(self.left, foot, title, _SMALL, grey=0.35)
        else:
            self.put(self.left, foot, number, 8, bold=True)
            self.put(self.right, foot, title, _SMALL, grey=0.35, align="right")
        self._again = lambda: self.begin(f"{heading}, continued" if heading else "", aside)

    def more(self) -> None:
        """Go on with the same matter on a fresh page."""
        again, heading = self._again, self._again
        again()
        self._again = heading

    def room(self, height: float) -> None:
        """Go on overleaf unless so much is free below."""
        if self.y - height < self.bottom:
            self.more()

    def to_side(self, even: bool, heading: str = "Notes") -> None:
        """Fill up with a page of notes so that the next page is even (left) or odd (right)."""
        if ((self.page + 1) % 2 == 0) != even:
            self.begin(heading)
            self.notes()

    def save(self) -> None:
        """Fill up to whole sheets of four pages, as booklets are printed, and write the file."""
        if self._lacking:
            self.begin("Characters that are not printed")
            self.paragraph(
                f"{LACKING} stands for a character that the typeface of this book lacks. "
                "report.html, holes.csv and the GeoPackage show the text as it was given.",
                BODY,
            )
        while self.page % 4:
            self.begin("Notes")
            self.notes()
        self.canvas.save()

    # --- text

    def printable(self, text: str, bold: bool = False) -> str:
        """The text with a visible sign for each character that the font lacks."""
        glyphs = self._glyphs[BOLD if bold else PLAIN]
        shown = "".join(c if ord(c) in glyphs or c.isspace() else LACKING for c in text)
        self._lacking |= shown != text
        return shown

    def measure(self, text: str, size: float, bold: bool = False) -> float:
        """Width of a text."""
        shown = self.printable(text, bold)
        return float(pdfmetrics.stringWidth(shown, BOLD if bold else PLAIN, size))

    def shrunk(self, text: str, size: float, width: float, bold: bool = False) -> float:
        """Size at which the text fits the width, at least 6 points."""
        natural = self.measure(text, size, bold)
        return size if natural <= width else max(6.0, size * width / natural)

    def cut(self, text: str, size: float, width: float, bold: bool = False) -> str:
        """The text, its end left out where it is too wide."""
        if self.measure(text, size, bold) <= width:
            return text
        while text and self.measure(text + "…", size, bold) > width:
            text = text[:-1]
        return text + "…"

    def put(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 7.5,
        *,
        bold: bool = False,
        align: str = "left",
        grey: float = 0.0,
    ) -> None:
        """One line of text at a place."""
        self.canvas.setFillGray(grey)
        self.canvas.setFont(BOLD if bold else PLAIN, size)
        draw = {
            "left": self.canvas.drawString,
            "right": self.canvas.drawRightString,
            "middle": self.canvas.drawCentredString,
        }[align]
        draw(x, y, self.printable(text, bold))
        self.canvas.setFillGray(0)

    def lines(self, text: str, width: float, size: float = 7.5, bold: bool = False) -> list[str]:
        """Break a text into lines; words wider than a line are broken too."""
        found: list[str] = []
        shown = self.printable(text, bold)
        for line in simpleSplit(shown, BOLD if bold else PLAIN, size, width):
            while self.measure(line, size, bold) > width and len(line) > 1:
                room = len(line) - 1
                while room > 1 and self.measure(line[:room], size, bold) > width:
                    room -= 1
                found.append(line[:room])
                line = line[room:]
            found.append(line)
        return found

    def paragraph(
        self,
        text: str,
        size: float = 7.5,
        *,
        bold: bool = False,
        after: float = 4.0,
        indent: float = 0.0,
        grey: float = 0.0,
    ) -> None:
        """A text over the whole width at `y`, overleaf where it must."""
        leading = size * 1.3
        for line in self.lines(text, self.wide - indent, size, bold):
            self.room(leading)
            self.put(self.left + indent, self.y - size, line, size, bold=bold, grey=grey)
            self.y -= leading
        self.y -= after

    def heading(self, text: str, room: float = 40.0) -> None:
        """A heading within a page, never left alone at its foot."""
        self.room(room)
        self.y -= 3
        self.put(self.left, self.y - 9.5, text, 9.5, bold=True)
        self.y -= 14.5

    def table(
        self,
        columns: Sequence[Column],
        rows: Sequence[Sequence[str]],
        size: float = 7.0,
        *,
        boxes: bool = False,
        notes: Sequence[str] = (),
        keep: float | None = None,
    ) -> int:
        """A table at `y`; texts wrap in their column, and the headings come again overleaf.

        With `boxes` each row starts with a box to tick; `notes`, one for each row or empty, stand
        below it over the whole width. With `keep` it ends before the first row that would leave
        less than so much of the page free. Returns how many rows were printed.
        """
        table = _Table(self, columns, size, boxes)
        if rows and keep is None:
            self.room(table.height(rows[0], "") + 15)
        table.head()
        for count, (row, note) in enumerate(zip(rows, notes or [""] * len(rows), strict=True)):
            low = self.y - table.height(row, note)
            if keep is not None and low < self.bottom + keep:
                self.y -= 4
                return count
            if low < self.bottom:
                self.more()
                table.head()
            table.row(row, note)
        self.y -= 4
        return len(rows)

    # --- strokes

    def rule(self, y: float, width: float = 0.5, grey: float = 0.0) -> None:
        """A line over the width of the text."""
        self.stroke([(self.left, y), (self.right, y)], width, grey)

    def stroke(
        self,
        points: Sequence[tuple[float, float]],
        width: float = 0.5,
        grey: float = 0.0,
        dash: Sequence[float] = (),
        *,
        closed: bool = False,
    ) -> None:
        """A line through points."""
        canvas = self.canvas
        canvas.setStrokeGray(grey)
        canvas.setLineWidth(width)
        canvas.setLineJoin(1)
        canvas.setLineCap(0 if dash else 1)
        canvas.setDash(list(dash), 0)
        path = canvas.beginPath()
        path.moveTo(*points[0])
        for x, y in points[1:]:
            path.lineTo(x, y)
        if closed:
            path.close()
        canvas.drawPath(path, stroke=1, fill=0)
        canvas.setDash([], 0)

    def box(self, x: float, y: float, size: float = 6.5) -> None:
        """A box to tick, its lower left corner at a place."""
        self.canvas.setStrokeGray(0)
        self.canvas.setLineWidth(0.6)
        self.canvas.rect(x, y, size, size, stroke=1, fill=0)

    def ticks(self, questions: Sequence[str], size: float = BODY) -> None:
        """Boxes to tick, side by side as far as they go."""
        x = self.left
        self.room(14)
        for question in questions:
            width = 10 + self.measure(question, size) + 9
            if x + width > self.right and x > self.left:
                x = self.left
                self.y -= 13
                self.room(14)
            self.box(x, self.y - 8)
            self.put(x + 10, self.y - 8, question, size)
            x += width
        self.y -= 15

    def blanks(self, names: Sequence[str], size: float = BODY) -> None:
        """Names with a line to write on, side by side in equal parts."""
        part = self.wide / len(names)
        self.room(18)
        for i, name in enumerate(names):
            x = self.left + i * part
            self.put(x, self.y - 11, name, size)
            start = x + self.measure(name, size) + 3
            self.stroke([(start, self.y - 12), (x + part - 5, self.y - 12)], 0.4, 0.3)
        self.y -= 19

    def notes(self, least: float = 0.0, heading: str = "") -> None:
        """Fill the rest of the page with faint dots to write and draw between, 5 mm apart."""
        self.room(least)
        if heading:
            self.heading(heading)
        step = 5 * MM
        rows = int((self.y - self.bottom) / step)
        across = int(self.wide / step)
        start = self.left + (self.wide - across * step) / 2
        canvas = self.canvas
        canvas.setStrokeGray(0.55)
        canvas.setLineWidth(0.7)
        canvas.setLineCap(1)
        # Dashes without length and with round ends are dots.
        canvas.setDash([0, step], 0)
        for row in range(rows + 1):
            y = self.bottom + row * step
            canvas.line(start, y, start + across * step + 0.1, y)
        canvas.setDash([], 0)
        self.y = self.bottom


class _Table:
    """A table being printed.

    Parameters
    ----------
    paper
        Where it is printed, at its `y`.
    columns
        From left to right.
    size
        Of the text [points].
    boxes
        Whether each row starts with a box to tick.
    """

    def __init__(self, paper: Paper, columns: Sequence[Column], size: float, boxes: bool) -> None:
        self._paper, self._columns, self._size = paper, columns, size
        self._box = 11.0 if boxes else 0.0
        self._leading, self._small = size * 1.25, max(size - 0.6, min(size, BODY))

    def _edges(self) -> list[tuple[float, float]]:
        """Left edge and width of each column's text; pages differ in their margins."""
        total = sum(column.width for column in self._columns)
        free, x, found = self._paper.wide - self._box, self._paper.left + self._box, []
        for column in self._columns:
            width = free * column.width / total
            found.append((x, width - _GAP))
            x += width
        return found

    def _cells(self, row: Sequence[str], size: float) -> list[list[str]]:
        """Lines of each cell."""
        return [
            self._paper.lines(text, width, size) or [""]
            for text, (_, width) in zip(row, self._edges(), strict=True)
        ]

    def _note(self, note: str) -> list[str]:
        paper = self._paper
        return paper.lines(note, paper.wide - self._box - 12, self._small) if note else []

    def height(self, row: Sequence[str], note: str) -> float:
        """Points that a row takes with its note."""
        above = max(map(len, self._cells(row, self._size))) * self._leading
        return above + 3 + len(self._note(note)) * self._small * 1.25

    def head(self) -> None:
        """Headings over a rule; nothing where no column has one."""
        if not any(column.heading for column in self._columns):
            return
        paper, size = self._paper, self._size - 0.8
        heads = self._cells([column.heading for column in self._columns], size)
        tall = max(map(len, heads))
        for column, (x, width), texts in zip(self._columns, self._edges(), heads, strict=True):
            for i, text in enumerate(texts):
                down = paper.y - (tall - len(texts) + i + 1) * size * 1.2
                self._put(x, down, width, text, size, column.align, 0.3)
        paper.y -= tall * size * 1.2 + 3
        paper.rule(paper.y, 0.6)
        paper.y -= 2

    def row(self, row: Sequence[str], note: str) -> None:
        """One row, its note below it."""
        paper, size, cells = self._paper, self._size, self._cells(row, self._size)
        if self._box:
            paper.box(paper.left, paper.y - size - 1)
        for column, (x, width), texts in zip(self._columns, self._edges(), cells, strict=True):
            for i, text in enumerate(texts):
                down = paper.y - size - i * self._leading
                self._put(x, down, width, text, size, column.align, 0.0)
        above = max(map(len, cells)) * self._leading
        for i, text in enumerate(self._note(note)):
            down = paper.y - above - self._small - i * self._small * 1.25
            paper.put(paper.left + self._box + 12, down, text, self._small, grey=0.25)
        paper.y -= self.height(row, note)
        paper.rule(paper.y + 1, 0.2, 0.6)

    def _put(
        self, x: float, y: float, width: float, text: str, size: float, align: str, grey: float
    ) -> None:
        at = {"left": x, "right": x + width, "middle": x + width / 2}[align]
        self._paper.put(at, y, text, size, align=align, grey=grey)
