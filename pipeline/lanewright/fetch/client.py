"""Asking servers over HTTP: politely, within limits, and no address that was not checked.

A name is resolved once, its addresses checked, and the connection made to the address that was
checked, with certificates still held against the name. Redirects are followed by hand, each
checked like the first address.
"""

from __future__ import annotations

import random
import re
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TypeVar
from urllib.request import getproxies, proxy_bypass

import urllib3
from urllib3.response import BaseHTTPResponse

from lanewright import __version__
from lanewright.base.errors import InputError
from lanewright.fetch.address import ELSEWHERE, Address, Trust, address, joined_url, resolve

T = TypeVar("T")

AGENT = f"lanewright/{__version__} (lidar tiles for one property; Python urllib3)"

MOST_REDIRECTS = 5
LATER = (429, 500, 502, 503, 504)
"""Answers after which a server may do better on another try (RFC 9110, RFC 6585)."""

CHUNK = 2**16
"""Bytes taken from a connection at a time."""


@dataclass(frozen=True)
class Manners:
    """How patient and how polite to be.

    Attributes
    ----------
    attempts
        Tries without any progress before giving up.
    pause
        Seconds before the second try; doubled for each further one.
    longest_pause
        Most seconds waited, also where a server asks for more.
    timeout
        Seconds for an answer, and for each part of it.
    slowest
        Bytes per second over `timeout` below which a connection is given up.
    """

    attempts: int = 5
    pause: float = 1.0
    longest_pause: float = 60.0
    timeout: float = 30.0
    slowest: float = 1000.0


class Allowance:
    """Bytes that several clients together may take from servers.

    Parameters
    ----------
    where, remedy
        Of the message when it is used up.
    """

    def __init__(self, most: int, where: str, remedy: str) -> None:
        self.most, self._where, self._remedy = most, where, remedy
        self._used = 0
        self._lock = threading.Lock()

    @property
    def used_up(self) -> bool:
        """Whether more came than may."""
        return self._used > self.most

    def take(self, size: int) -> None:
        """Count bytes that came.

        Raises
        ------
        InputError
            If they are more than may come.
        """
        with self._lock:
            self._used += size
        if self.used_up:
            problem = f"more than {self.most:,} bytes would be fetched"
            raise InputError(self._where, problem, self._remedy)


class Unreliable(Exception):  # noqa: N818 - the caller tries again
    """A server or the way to it failed in a manner that may pass."""

    def __init__(self, why: str, wait: float | None = None) -> None:
        super().__init__(why)
        self.wait = wait


class Client:
    """Asks servers with one set of manners; keeps connections open between requests.

    Attributes
    ----------
    received
        Bytes of bodies taken from servers so far, tries that failed included.
    """

    def __init__(
        self, trust: Trust, manners: Manners | None = None, allowance: Allowance | None = None
    ) -> None:
        self.trust = trust
        self.allowance = allowance
        self.manners = manners or Manners()
        self.received = 0
        self._lock = threading.Lock()
        self._pools: dict[tuple[str, str, int], urllib3.HTTPConnectionPool] = {}
        self._proxies: dict[str, urllib3.ProxyManager] = {}

    def fetch(self, url: str, limit: int) -> bytes:
        """The whole body, at most `limit` bytes after decompression.

        Raises
        ------
        InputError
            If it cannot be had, is longer, or lies where it may not.
        """

        def once() -> bytes:
            with self.answer(url, {"Accept-Encoding": "gzip"}) as response:
                if response.status != 200:
                    raise refusal(url, response.status)
                return b"".join(self.body(response, url, limit, decode=True))

        return self.patiently(url, once)

    def patiently(self, url: str, once: Callable[[], T]) -> T:
        """Try again where that may help; the last failure is reported.

        Raises
        ------
        InputError
            After the last try.
        """
        for attempt in range(1, self.manners.attempts + 1):
            try:
                return once()
            except Unreliable as err:
                if attempt == self.manners.attempts:
                    raise gave_up(url, err) from None
                self.wait(attempt, err.wait)
        raise AssertionError

    def wait(self, attempt: int, asked: float | None) -> None:
        """Pause before another try: as long as the server asks, else longer each time."""
        manners = self.manners
        pause = manners.pause * 2 ** (attempt - 1) * random.uniform(1.0, 1.25)
        time.sleep(min(max(pause, asked or 0.0), manners.longest_pause))

    @contextmanager
    def answer(self, url: str, headers: Mapping[str, str]) -> Iterator[BaseHTTPResponse]:
        """Answer to a GET after redirects; its body is still to be read.

        Raises
        ------
        Unreliable
            If another try may help.
        InputError
            If a redirect leads where it may not.
        """
        place = address(url, self.trust)
        for _ in range(MOST_REDIRECTS + 1):
            response = self._ask(place, headers)
            try:
                if response.status in LATER:
                    raise Unreliable(f"answered {response.status}", _retry_after(response))
                to = response.headers.get("Location")
                if response.status not in (301, 302, 303, 307, 308) or to is None:
                    yield response
                    return
                place = self._redirected(place, to)
            finally:
                response.close()  # a body read to its end has given its connection back before
                response.release_conn()
        raise InputError(url[:200], f"redirects more than {MOST_REDIRECTS} times", ELSEWHERE)

    def _redirected(self, place: Address, to: str) -> Address:
        target = address(joined_url(place.url, to), self.trust)
        if place.scheme == "https" and target.scheme != "https":
            raise InputError(target.url[:200], "is a step from https down to http", ELSEWHERE)
        return target

    def _ask(self, place: Address, headers: Mapping[str, str]) -> BaseHTTPResponse:
        sent = {"User-Agent": AGENT, "Accept-Encoding": "identity", **headers}
        timeout = urllib3.Timeout(
            connect=min(10.0, self.manners.timeout), read=self.manners.timeout
        )
        proxy = None if proxy_bypass(place.host) else getproxies().get(place.scheme)
        try:
            if proxy:
                return self._proxy(proxy).urlopen(
                    "GET",
                    place.url,
                    headers=sent,
                    redirect=False,
                    retries=False,
                    preload_content=False,
                    timeout=timeout,
                )
            sent["Host"] = _host(place)
            return self._pool(place).urlopen(
                "GET",
                place.path,
                headers=sent,
                redirect=False,
                retries=False,
                preload_content=False,
                timeout=timeout,
            )
        except urllib3.exceptions.SSLError as err:
            raise InputError(
                place.host, f"has no valid certificate ({_why(err)})", ELSEWHERE
            ) from None
        except urllib3.exceptions.HTTPError as err:
            raise Unreliable(_why(err)) from None

    def _proxy(self, proxy: str) -> urllib3.ProxyManager:
        if proxy not in self._proxies:
            self._proxies[proxy] = urllib3.ProxyManager(proxy)
        return self._proxies[proxy]

    def _pool(self, place: Address) -> urllib3.HTTPConnectionPool:
        key = (place.scheme, place.host, place.port)
        if key not in self._pools:
            number = resolve(place, self.trust)
            if place.scheme == "https":
                self._pools[key] = urllib3.HTTPSConnectionPool(
                    number,
                    place.port,
                    maxsize=4,
                    ssl_context=ssl.create_default_context(),
                    server_hostname=place.host,
                    assert_hostname=place.host,
                )
            else:
                self._pools[key] = urllib3.HTTPConnectionPool(number, place.port, maxsize=4)
        return self._pools[key]

    def body(
        self, response: BaseHTTPResponse, url: str, limit: int, decode: bool = False
    ) -> Iterator[bytes]:
        """Parts of a body as they come.

        Raises
        ------
        Unreliable
            If it ends early or makes too little headway.
        InputError
            If it is longer than `limit` bytes.
        """
        packed = response.headers.get("Content-Encoding", "").strip().lower()
        if packed not in ("", "identity", "gzip" if decode else ""):
            raise InputError(url[:200], f"is sent packed as {packed[:40]}, unasked", ELSEWHERE)
        stated = whole_number(response.headers.get("Content-Length"))
        if stated is not None and stated > limit:
            raise too_long(url, limit)
        total, began, mark = 0, time.monotonic(), 0
        try:
            # Each part as it comes: a full one may take for ever from a slow server.
            while part := response.read1(CHUNK, decode_content=decode):
                total += len(part)
                self._count(len(part))
                if total > limit:
                    raise too_long(url, limit)
                yield part
                elapsed = time.monotonic() - began
                if elapsed > self.manners.timeout:
                    if total - mark < self.manners.slowest * elapsed:
                        raise Unreliable(f"sends less than {self.manners.slowest:.0f} bytes/s")
                    began, mark = time.monotonic(), total
        except (urllib3.exceptions.HTTPError, OSError) as err:
            raise Unreliable(_why(err)) from None
        if not decode and stated is not None and total != stated:
            raise Unreliable(f"ended after {total:,} of {stated:,} bytes")

    def _count(self, size: int) -> None:
        with self._lock:
            self.received += size
        if self.allowance is not None:
            self.allowance.take(size)


def _host(place: Address) -> str:
    host = f"[{place.host}]" if ":" in place.host else place.host
    return (
        host if place.port == (443 if place.scheme == "https" else 80) else f"{host}:{place.port}"
    )


def _retry_after(response: BaseHTTPResponse) -> float | None:
    said = whole_number(response.headers.get("Retry-After"))
    return None if said is None else float(said)


def whole_number(text: str | None) -> int | None:
    """Number of a header, of at most 18 digits; None for anything else."""
    found = re.fullmatch(r"[0-9]{1,18}", (text or "").strip())
    return int(found[0]) if found else None


def _why(err: BaseException) -> str:
    text = str(getattr(err, "reason", None) or err).splitlines()
    return (text or [type(err).__name__])[0].rpartition(": ")[2][:120] or type(err).__name__


def refusal(url: str, status: int) -> InputError:
    """What to say of an answer that is neither the file nor worth another try."""
    what = {
        401: "asks for a login",
        403: "forbids it",
        404: "has no such file",
        410: "has it no more",
    }
    said = what.get(status, f"answers {status}")
    return InputError(url[:200], f"the server {said}", ELSEWHERE)


def gave_up(url: str, err: Unreliable) -> InputError:
    """What to say when tries are used up."""
    return InputError(url[:200], f"cannot be had ({err})", "Try again later; a rerun continues.")


def too_long(url: str, limit: int) -> InputError:
    """What to say of a body that is longer than it may be."""
    return InputError(url[:200], f"is longer than the {limit:,} bytes allowed", ELSEWHERE)
