"""Which addresses may be asked, and names of files that come from servers made harmless."""

from __future__ import annotations

import hashlib
import ipaddress
import re
import socket
from dataclasses import dataclass
from urllib.parse import unquote, urljoin, urlsplit

from lanewright.base.errors import InputError

LONGEST = 4000
"""Characters of an address (ours); signed ones reach 1,500 (from memory)."""

ELSEWHERE = "Choose another offer with --take, or another source with --only."
"""Remedy where a file or server is at fault: what a user of `find` and `get` can do."""

_LOCAL_NAMES = (".localhost", ".local", ".home.arpa", ".internal")

_NAT64 = ipaddress.ip_network("64:ff9b::/96")


@dataclass(frozen=True)
class Trust:
    """What a source may ask of this machine's network.

    Attributes
    ----------
    plain
        `http` is allowed besides `https`.
    local
        Private and loopback addresses are allowed.
    """

    plain: bool = False
    local: bool = False


@dataclass(frozen=True)
class Address:
    """An address split once, so that what was checked is what is asked.

    Attributes
    ----------
    path
        With the query, as it goes to the server.
    """

    url: str
    scheme: str
    host: str
    port: int
    path: str


def address(url: str, trust: Trust) -> Address:
    """Split an address, by its text alone.

    Raises
    ------
    InputError
        If it is no web address, names a user, or is plain http without leave.
    """
    shown = url[:200]
    if len(url) > LONGEST or re.search(r"[\x00-\x20\x7f\\\ud800-\udfff]", url):
        raise InputError(shown, "is no address that can be asked", "Look at the source.")
    try:
        parts = urlsplit(url)
        host, port = parts.hostname or "", parts.port
        host = host if ":" in host else host.encode("idna").decode("ascii")
    except (ValueError, UnicodeError):
        raise InputError(shown, "is no address that can be asked", "Look at the source.") from None
    if parts.scheme not in ("http", "https") or not host:
        raise InputError(
            shown, "is not a web address, so it is not followed", "Give an https address."
        )
    if parts.username is not None or parts.password is not None:
        raise InputError(shown, "holds a name or password", "Use an address without them.")
    if not trust.local and private(host):
        raise InputError(
            host,
            "is a name or address of this machine or of a private network",
            "Set local: true for a source of your own; no other may lead there.",
        )
    if parts.scheme == "http" and not trust.plain:
        raise InputError(
            shown,
            "is plain http, which anyone on the way can change",
            "Use https, or set http: true for the source.",
        )
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    path = "".join(c if c.isascii() else "".join(f"%{b:02X}" for b in c.encode()) for c in path)
    default = 443 if parts.scheme == "https" else 80
    return Address(url.partition("#")[0], parts.scheme, host, port or default, path)


def joined_url(base: str, href: str) -> str:
    """Address of a link on a page; a link that is whole stays as it is.

    Raises
    ------
    InputError
        If it cannot be split, or holds half a sign (a lone surrogate, as JSON can write one).
    """
    try:
        found = urljoin(base, href)
        urlsplit(found)
        found.encode("utf-8")
    except ValueError:
        raise InputError(
            ascii(href[:200]), "is no address that can be asked", "Look at the source."
        ) from None
    return found


def private(host: str) -> bool:
    """Whether a host, by its text alone, is this machine or of a private network.

    Numbers count in every spelling that the C library takes (`inet_aton`), names without a dot and
    those of RFC 6761, 6762 and 8375 as local.

    Examples
    --------
    >>> [private(h) for h in ("127.1", "2130706433", "0x7f.1", "localhost.", "printer")]
    [True, True, True, True, True]
    >>> [private(h) for h in ("93.184.216.34", "tiles.example")]
    [False, False]
    """
    bare = host.lower().rstrip(".")
    try:
        return not public(bare)
    except ValueError:
        pass
    try:
        return not public(socket.inet_ntoa(socket.inet_aton(bare)))
    except OSError:
        return "." not in bare or bare.endswith(_LOCAL_NAMES)


def resolve(place: Address, trust: Trust) -> str:
    """IP address to connect to; every address that the name has must be allowed.

    Raises
    ------
    InputError
        If the name is unknown, or has an address of a private network or of this machine.
    """
    try:
        found = socket.getaddrinfo(place.host, place.port, type=socket.SOCK_STREAM)
    except (OSError, UnicodeError):
        raise InputError(
            place.host, "is not known here by that name", "Check the network and the source."
        ) from None
    numbers = [str(entry[4][0]).partition("%")[0] for entry in found]
    for number in numbers:
        if not trust.local and not public(number):
            raise InputError(
                place.host,
                f"leads to {number}, an address of this machine or of a private network",
                "Set local: true for a source of your own; no other may lead there.",
            )
    return numbers[0]


def public(number: str) -> bool:
    """Whether an IP address belongs to the open internet.

    Examples
    --------
    >>> [public(n) for n in ("93.184.216.34", "127.0.0.1", "::ffff:10.0.0.1", "169.254.169.254")]
    [True, False, False, False]
    """
    ip = ipaddress.ip_address(number)
    if isinstance(ip, ipaddress.IPv6Address):
        if ip.is_site_local or int(ip) < 2**32:  # both are out of use (RFC 3879, RFC 4291 2.5.5.1)
            return False
        inner = ip.ipv4_mapped or ip.sixtofour
        if ip in _NAT64:
            inner = ipaddress.IPv4Address(int(ip) & 0xFFFFFFFF)
        if inner is not None:
            return public(str(inner))
    return ip.is_global and not ip.is_multicast


def file_name(url: str, suffix: str) -> str:
    """A name for what an address holds: no folder, no hidden file, the suffix of its format.

    Examples
    --------
    >>> file_name("https://a.example/x/..%2F..%2Fetc%2Fpasswd?k=1", ".laz")
    'passwd-16c41b3a.laz'
    >>> file_name("https://a.example/tiles/USGS_LPC_10.laz", ".laz")
    'USGS_LPC_10-9d8427c5.laz'
    """
    path = re.sub(r"^[a-z]+://[^/?#]*", "", url, flags=re.IGNORECASE)
    last = re.split(r"[/\\]", unquote(re.split("[?#]", path)[0]))[-1]
    stem = re.sub(r"(\.copc)?\.(laz|las|tiff?|json)$", "", last, flags=re.IGNORECASE)
    stem = re.sub(r"[^A-Za-z0-9_-]+", "_", stem).strip("_-")[:80] or "tile"
    mark = hashlib.sha256(url.encode("utf-8", "replace")).hexdigest()[:8]
    return f"{stem}-{mark}{suffix}"
