"""Text from outside: what can be shown in a line, and what a spreadsheet would run."""

from __future__ import annotations

import unicodedata

TURNS = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Marks that turn the direction of text round (Unicode Standard Annex 9)."""


def unreadable(text: str, also: str = "") -> str | None:
    r"""First sign that cannot be shown, as U+n: control characters, halves, turning marks.

    Parameters
    ----------
    also
        Control characters that are fine.

    Examples
    --------
    >>> unreadable("oak at the creek"), unreadable("a\x1b[31m")
    (None, 'U+001B')
    """
    for sign in text:
        kind = unicodedata.category(sign)
        if (kind in ("Cc", "Cs", "Zl", "Zp") and sign not in also) or sign in TURNS:
            return f"U+{ord(sign):04X}"
    return None


def inert(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe stands before it.

    Signs that start one are those of the OWASP page on CSV injection: = + - @, tab and carriage
    return, here also behind spaces.

    Examples
    --------
    >>> inert("=HYPERLINK(0)"), inert("oak - creek")
    ("'=HYPERLINK(0)", 'oak - creek')
    """
    bare = text.lstrip(" \u00a0\ufeff")
    # Wide forms of the same signs are taken for them where East Asian input is set up.
    return "'" + text if bare[:1] in tuple("=+-@\t\r\n＝＋－＠") else text


def is_text(path: object) -> bool:
    r"""Whether a path is text, which it has to be to stand in results: not all names of files are.

    Examples
    --------
    >>> is_text("Käfer.laz"), is_text("K\udce4fer.laz")  # the latter was written as Latin-1
    (True, False)
    """
    return not any("\ud800" <= sign <= "\udfff" for sign in str(path))
