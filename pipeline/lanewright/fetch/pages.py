"""Pages of catalogues as JSON objects."""

from __future__ import annotations

import json
from typing import Any

from lanewright.base.errors import InputError
from lanewright.fetch.client import Client
from lanewright.fetch.store import Pages

MOST_BYTES = 64 * 2**20
"""Bytes of one page; the largest known, all surveys of a nation in one file, has some 30 MB."""

MOST_PAGES = 2000
"""Pages of one catalogue."""


def read_json(client: Client, pages: Pages, url: str) -> dict[str, Any]:
    """A page that is one JSON object; kept unless it reports an error.

    Raises
    ------
    InputError
        If it cannot be had or is something else.
    """
    body = pages.get(url)
    kept = body is not None
    if body is None:
        body = client.fetch(url, MOST_BYTES)
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        raise InputError(
            url[:200], "is no JSON, as a catalogue would be", "Check the address of the source."
        ) from None
    if not isinstance(found, dict):
        raise InputError(url[:200], "is no catalogue", "Check the address of the source.")
    if not kept and not found.get("errorMessage"):  # as the national API reports its failures
        pages.put(url, body)
    return found
