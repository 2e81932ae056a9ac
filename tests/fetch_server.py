"""A web server on loopback that serves files, with the faults that a test asks for."""

from __future__ import annotations

import gzip
import hashlib
import json
import re
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlsplit

Answer = Callable[["Handler"], None]


@dataclass
class Site:
    """What is served: bodies by path, and faults that are used up one by one.

    `faults[path]` is a list of functions; each request takes the first and lets it answer; when
    none is left, the file is served as it should be.
    """

    files: dict[str, bytes] = field(default_factory=dict)
    pages: dict[str, Callable[[dict[str, list[str]]], object]] = field(default_factory=dict)
    faults: dict[str, list[Answer]] = field(default_factory=dict)
    ranges: bool = True
    requests: list[tuple[str, dict[str, str]]] = field(default_factory=list)
    sent: int = 0
    url: str = ""

    def put(self, path: str, page: object) -> None:
        """Serve a page as JSON."""
        self.files[path] = json.dumps(page).encode()

    def asked(self, path: str) -> list[dict[str, str]]:
        """Headers of the requests for a path."""
        return [headers for at, headers in self.requests if at == path]


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    site: Site

    def log_message(self, *_args: object) -> None:
        pass

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        self.site.requests.append((parts.path, dict(self.headers)))
        faults = self.site.faults.get(parts.path)
        try:
            if faults:
                faults.pop(0)(self)
            elif parts.path in self.site.pages:
                page = self.site.pages[parts.path](parse_qs(parts.query))
                self.whole(json.dumps(page).encode())
            elif parts.path in self.site.files:
                self.serve(self.site.files[parts.path])
            else:
                self.say(404)
        except (BrokenPipeError, ConnectionResetError):
            self.close_connection = True

    def handle(self) -> None:
        with suppress(ConnectionResetError):  # a client that hangs up is no fault of a test
            super().handle()

    def say(self, status: int, body: bytes = b"", **headers: str) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name.replace("_", "-"), value)
        if "Content_Length" not in headers:
            self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)
        self.site.sent += len(body)

    def whole(self, body: bytes) -> None:
        if "gzip" in self.headers.get("Accept-Encoding", ""):
            self.say(200, gzip.compress(body), Content_Encoding="gzip")
        else:
            self.say(200, body, ETag=tag_of(body))

    def serve(self, body: bytes) -> None:
        wanted = re.fullmatch(r"bytes=(\d+)-(\d*)", self.headers.get("Range", ""))
        same = self.headers.get("If-Range", tag_of(body)) == tag_of(body)
        if wanted is None or not self.site.ranges or not same:
            self.whole(body)
            return
        start = int(wanted[1])
        end = min(int(wanted[2] or len(body)), len(body) - 1)
        if start >= len(body):
            self.say(416, Content_Range=f"bytes */{len(body)}")
            return
        part = body[start : end + 1]
        said = f"bytes {start}-{end}/{len(body)}"
        self.say(206, part, Content_Range=said, ETag=tag_of(body))


def tag_of(body: bytes) -> str:
    return f'"{hashlib.sha256(body).hexdigest()[:16]}"'


# Faults ---------------------------------------------------------------------------------------


def status(code: int, **headers: str) -> Answer:
    return lambda handler: handler.say(code, b"", **headers)


def cut(share: float) -> Answer:
    """Promise the whole, send a part, and hang up."""

    def answer(handler: Handler) -> None:
        body = handler.site.files[urlsplit(handler.path).path]
        wanted = re.fullmatch(r"bytes=(\d+)-(\d*)", handler.headers.get("Range", ""))
        start = int(wanted[1]) if wanted else 0
        rest = body[start:]
        handler.send_response(206 if wanted else 200)
        if wanted:
            handler.send_header("Content-Range", f"bytes {start}-{len(body) - 1}/{len(body)}")
        handler.send_header("Content-Length", str(len(rest)))
        handler.send_header("ETag", tag_of(body))
        handler.end_headers()
        handler.wfile.write(rest[: round(len(rest) * share)])
        handler.wfile.flush()
        handler.connection.close()
        handler.close_connection = True

    return answer


def body(content: bytes, code: int = 200, **headers: str) -> Answer:
    return lambda handler: handler.say(code, content, **headers)


def redirect(to: str, code: int = 302) -> Answer:
    return lambda handler: handler.say(code, b"", Location=to)


def trickle(seconds: float) -> Answer:
    """A byte now and then."""

    def answer(handler: Handler) -> None:
        handler.send_response(200)
        handler.send_header("Content-Length", "1000000")
        handler.end_headers()
        for _ in range(round(seconds / 0.02)):
            handler.wfile.write(b"L")
            handler.wfile.flush()
            time.sleep(0.02)
        handler.close_connection = True

    return answer


@contextmanager
def serving(site: Site) -> Iterator[Site]:
    """Serve a site until the end of the block; its address is `site.url`."""
    handler = type("Bound", (Handler,), {"site": site})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    site.url = f"http://127.0.0.1:{server.server_port}"
    try:
        yield site
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
