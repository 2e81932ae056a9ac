"""Requests and downloads against a server on loopback that misbehaves as servers do.

What must come out is what the server was given to serve; statuses and headers are those of
RFC 9110.
"""

import hashlib
import time

import numpy as np
import pytest

import fetch_server as web
from lanewright.base.errors import InputError
from lanewright.fetch import address as addresses
from lanewright.fetch.address import Trust, address, file_name, public, resolve
from lanewright.fetch.client import Client, Manners
from lanewright.fetch.download import Expected, download
from lanewright.fetch.ranges import NoRanges, RangeFile, Remote, joined
from lanewright.fetch.store import Pages

LOCAL = Trust(plain=True, local=True)
QUICK = Manners(attempts=4, pause=0.01, longest_pause=0.3, timeout=2.0)
TILE = b"LASF" + np.random.default_rng(1).bytes(300_000)
WANT = Expected(10**6)


@pytest.fixture
def site():
    with web.serving(web.Site(files={"/a.laz": TILE})) as served:
        yield served


def client(trust: Trust = LOCAL, **manners: float) -> Client:
    return Client(trust, Manners(**{**vars(QUICK), **manners}))


def got(site, tmp_path, expected=WANT, **manners):
    path = tmp_path / "a.laz"
    found = download(client(**manners), f"{site.url}/a.laz", path, expected)
    assert path.read_bytes() == TILE
    assert [p.name for p in tmp_path.iterdir()] == ["a.laz"]
    assert found.sha256 == hashlib.sha256(TILE).hexdigest()


def test_a_file_arrives_whole_and_alone(site, tmp_path):
    got(site, tmp_path, Expected(10**6, len(TILE), hashlib.sha256(TILE).hexdigest()))
    (headers,) = site.asked("/a.laz")
    assert headers["User-Agent"].startswith("lanewright/")


@pytest.mark.parametrize("code", [429, 500, 502, 503, 504])
def test_servers_that_fail_for_a_while_are_asked_again(site, tmp_path, code):
    site.faults["/a.laz"] = [web.status(code), web.status(code)]
    got(site, tmp_path)
    assert len(site.asked("/a.laz")) == 3


def test_the_wait_that_a_server_asks_for_is_kept(site, tmp_path):
    site.faults["/a.laz"] = [web.status(429, Retry_After="1")]
    began = time.monotonic()
    got(site, tmp_path, longest_pause=5.0)
    assert time.monotonic() - began >= 1.0


def test_cut_connections_are_taken_up_where_they_broke(site, tmp_path):
    """Three cuts; what was sent in all is the file once, not four times."""
    site.faults["/a.laz"] = [web.cut(0.3), web.cut(0.5), web.cut(0.0)]
    got(site, tmp_path)
    starts = [h.get("Range") for h in site.asked("/a.laz")]
    assert starts[0] is None
    first = round(len(TILE) * 0.3)
    assert starts[1] == f"bytes={first}-"
    assert site.asked("/a.laz")[1]["If-Range"] == web.tag_of(TILE)


def test_without_a_strong_tag_a_cut_file_is_begun_again(site, tmp_path):
    """Bytes of two states of a file must not be joined by a weak tag (RFC 9110, 13.1.5)."""

    def weak(handler):
        handler.send_response(200)
        handler.send_header("Content-Length", str(len(TILE)))
        handler.send_header("ETag", 'W/"1"')
        handler.send_header("Last-Modified", "Mon, 02 Mar 2026 10:00:00 GMT")
        handler.end_headers()
        handler.wfile.write(b"LASF" + bytes(100_000))
        handler.close_connection = True

    site.faults["/a.laz"] = [weak]
    got(site, tmp_path)
    assert [h.get("Range") for h in site.asked("/a.laz")] == [None, None]


def test_a_later_command_goes_on_with_what_an_earlier_one_left(site, tmp_path):
    site.faults["/a.laz"] = [web.cut(0.6)] + [web.status(500)] * 9
    with pytest.raises(InputError, match="cannot be had"):
        got(site, tmp_path)
    assert not (tmp_path / "a.laz").exists()
    site.faults.clear()
    before = site.sent
    got(site, tmp_path)
    assert site.sent - before == len(TILE) - round(len(TILE) * 0.6)


def test_a_file_that_changed_in_between_is_begun_again(site, tmp_path):
    site.files["/a.laz"] = b"LASF" + bytes(500_000)
    site.faults["/a.laz"] = [web.cut(0.6)] + [web.status(500)] * 9
    with pytest.raises(InputError):
        got(site, tmp_path)
    site.faults.clear()
    site.files["/a.laz"] = TILE
    got(site, tmp_path)


def test_giving_up_is_one_message_and_leaves_no_file(site, tmp_path):
    site.faults["/a.laz"] = [web.status(500)] * 99
    with pytest.raises(InputError, match="answered 500"):
        got(site, tmp_path)
    assert len(site.asked("/a.laz")) == QUICK.attempts
    assert not (tmp_path / "a.laz").exists()


@pytest.mark.parametrize(
    ("fault", "expected", "said"),
    [
        (web.status(404), WANT, "no such file"),
        (web.status(403), WANT, "forbids"),
        (web.body(b"<!doctype html><title>Sorry</title>" * 9), WANT, "a web page"),
        (web.body(TILE), Expected(10**6, len(TILE) + 1), "the catalogue says 300,005"),
        (web.body(TILE), Expected(10**6, len(TILE), "0" * 64), "its checksum differs"),
        (web.body(TILE), Expected(1000), "longer than the 1,000 bytes"),
        (web.body(b""), WANT, "something else"),
        (web.body(TILE, Content_Encoding="gzip"), WANT, "packed as gzip, unasked"),
    ],
)
def test_what_is_not_the_file_is_refused_and_removed(site, tmp_path, fault, expected, said):
    site.faults["/a.laz"] = [fault]
    with pytest.raises(InputError, match=said):
        got(site, tmp_path, expected)
    assert len(site.asked("/a.laz")) == 1
    assert not (tmp_path / "a.laz").exists()


def test_a_body_without_a_stated_length_is_still_bounded(site):
    """Chunks without end: nothing states a length, so the bytes themselves are counted."""

    def endless(handler):
        handler.send_response(200)
        handler.send_header("Connection", "close")
        handler.end_headers()
        while True:
            handler.wfile.write(bytes(65_536))

    site.faults["/a.laz"] = [endless]
    asking = client()
    with pytest.raises(InputError, match="longer than"):
        asking.fetch(f"{site.url}/a.laz", 200_000)
    assert asking.received < 400_000


def test_a_page_that_unpacks_to_more_than_it_may_is_stopped(site):
    """A megabyte of zeros packs into a kilobyte; the limit counts what comes out."""
    site.files["/zeros.json"] = bytes(50_000_000)
    with pytest.raises(InputError, match="longer than"):
        client().fetch(f"{site.url}/zeros.json", 10**6)


def test_a_server_that_trickles_is_given_up_and_asked_again(site, tmp_path):
    site.faults["/a.laz"] = [web.trickle(5.0)]
    began = time.monotonic()
    got(site, tmp_path, timeout=0.4)
    assert time.monotonic() - began < 4.0


# Where requests may go -------------------------------------------------------------------------


def test_redirects_are_followed_a_few_times(site, tmp_path):
    site.faults["/b.laz"] = [web.redirect("/c.laz", 301)]
    site.faults["/c.laz"] = [web.redirect(f"{site.url}/a.laz", 307)]
    found = download(client(), f"{site.url}/b.laz", tmp_path / "a.laz", WANT)
    assert found.size == len(TILE)
    site.faults["/loop"] = [web.redirect("/loop")] * 99
    with pytest.raises(InputError, match="redirects more than 5 times"):
        client().fetch(f"{site.url}/loop", 1000)


@pytest.mark.parametrize(
    "to",
    ["file:///etc/passwd", "ftp://a.example/x", "gopher://a.example", "//user:word@a.example/x",
     "http://a.example/a b", "data:text/plain,x"],
)  # fmt: skip
def test_redirects_to_other_schemes_or_with_logins_are_refused(site, to):
    site.faults["/a.laz"] = [web.redirect(to)]
    with pytest.raises(InputError, match=r"not a web address|name or password|no address"):
        client().fetch(f"{site.url}/a.laz", 1000)


def test_only_sources_named_as_local_reach_this_machine(site):
    with pytest.raises(InputError, match=r"127\.0\.0\.1: is a name or address of this machine"):
        client(Trust(plain=True)).fetch(f"{site.url}/a.laz", 1000)
    assert site.requests == []


def test_plain_http_needs_leave():
    with pytest.raises(InputError, match="plain http"):
        client(Trust()).fetch("http://lidar.example/a.laz", 1000)


@pytest.mark.parametrize(
    "number",
    # Special-purpose address registries of IANA (RFC 6890), and forms that stand for one of them.
    ["127.0.0.1", "127.9.9.9", "10.1.2.3", "172.16.0.1", "192.168.1.1", "169.254.169.254",
     "0.0.0.0", "100.64.0.1", "::1", "::", "fe80::1", "fc00::1", "::ffff:127.0.0.1",
     "64:ff9b::7f00:1", "2002:7f00:1::", "224.0.0.1", "255.255.255.255", "ff02::1",
     "::7f00:1", "fec0::1"],
)  # fmt: skip
def test_addresses_of_no_public_network_are_known(number):
    assert not public(number)


def test_a_name_with_one_private_address_is_refused(monkeypatch):
    """As a hostile name server would answer: a public address first, a private one behind it."""
    answers = [(2, 1, 6, "", ("93.184.216.34", 443)), (2, 1, 6, "", ("10.0.0.7", 443))]
    monkeypatch.setattr(addresses.socket, "getaddrinfo", lambda *_a, **_k: answers)
    with pytest.raises(InputError, match=r"leads to 10\.0\.0\.7"):
        resolve(address("https://lidar.example/x", Trust()), Trust())
    assert resolve(address("https://lidar.example/x", Trust()), LOCAL) == "93.184.216.34"


def test_a_name_is_resolved_once_so_that_it_cannot_turn(site, monkeypatch):
    """A name server that says loopback of another port later: the first answer is kept."""
    port = int(site.url.rpartition(":")[2])
    said = [("127.0.0.1", port), ("127.0.0.2", port)]
    asked = []

    def names(host, *_a, **_k):
        asked.append(host)
        return [(2, 1, 6, "", said[min(len(asked), 2) - 1])]

    real = addresses.socket.getaddrinfo
    fake = lambda host, *a, **k: names(host) if "example" in host else real(host, *a, **k)  # noqa: E731
    monkeypatch.setattr(addresses.socket, "getaddrinfo", fake)
    asking = client()
    for _ in range(2):
        assert asking.fetch(f"http://tiles.example:{port}/a.laz", 10**6) == TILE
    assert asked == ["tiles.example"]
    assert site.asked("/a.laz")[0]["Host"] == f"tiles.example:{port}"


def test_a_proxy_is_used_but_leads_to_no_private_address(site, monkeypatch):
    monkeypatch.setenv("http_proxy", site.url)
    monkeypatch.delenv("no_proxy", raising=False)
    site.files["http://lidar.example/a.laz"] = TILE
    seen = []
    site.faults["/a.laz"] = [lambda h: (seen.append(h.path), h.whole(TILE))]
    assert client(Trust(plain=True)).fetch("http://lidar.example/a.laz", 10**6) == TILE
    assert seen == ["http://lidar.example/a.laz"]
    before = len(site.requests)
    # Numbers as inet_aton reads them (POSIX), IPv6 forms of IPv4 (RFC 4291, 6052), local names
    # (RFC 6761, 6762).
    for host in (
        "10.0.0.1", "localhost", "127.1", "2130706433", "0x7f.0.0.1", "017700000001", "0",
        "[::1]", "[::ffff:127.0.0.1]", "[::127.0.0.1]", "[fec0::1]", "LOCALHOST.", "a.localhost",
        "printer", "printer.local", "\uff11\uff12\uff17.1",
    ):  # fmt: skip
        with pytest.raises(InputError, match="private network"):
            client(Trust(plain=True)).fetch(f"http://{host}/a.laz", 1000)
    assert len(site.requests) == before


@pytest.mark.parametrize(
    "url",
    ["https://a.example/../../../etc/cron.d/x.laz", "https://a.example/%2e%2e%2f%2e%2e%2fx.laz",
     "https://a.example/..%5c..%5cx.laz", "https://a.example/.bashrc", "https://a.example/",
     "https://a.example/" + "y" * 900 + ".laz", "https://a.example/CON.laz?f=/../../x",
     "https://a.example/\u202ezal.exe"],
)  # fmt: skip
def test_names_from_servers_stay_within_the_folder(tmp_path, url):
    path = tmp_path / file_name(url, ".laz")
    assert path.resolve().parent == tmp_path.resolve()
    assert not path.name.startswith(".")
    assert path.suffix == ".laz"
    path.write_bytes(b"")


# Parts ------------------------------------------------------------------------------------------


def test_a_remote_file_reads_like_the_file_itself(site):
    file = RangeFile(Remote(client(), f"{site.url}/a.laz"))
    rng = np.random.default_rng(2)
    for start, size in rng.integers(0, 310_000, (40, 2)):
        file.seek(int(start))
        assert file.read(int(size) // 10) == TILE[start : start + size // 10]
    assert file.seek(-10, 2) == len(TILE) - 10
    assert file.read() == TILE[-10:]


@pytest.mark.parametrize(
    "fault",
    [web.status(503), web.cut(0.4), web.body(b"x" * 10, 206, Content_Range="bytes 7-16/300004"),
     web.body(b"x" * 10, 206)],
)  # fmt: skip
def test_parts_that_are_not_what_was_asked_for_are_asked_for_again(site, fault):
    remote = Remote(client(), f"{site.url}/a.laz")
    site.faults["/a.laz"] = [fault]
    assert remote.read(100_000, 5000) == TILE[100_000:105_000]


def test_a_server_that_ignores_ranges_is_noticed_before_it_sends_much(site):
    site.ranges = False
    asking = client()
    with pytest.raises(NoRanges):
        Remote(asking, f"{site.url}/a.laz")
    assert asking.received == 0


def test_a_file_that_changes_while_it_is_read_is_refused(site):
    remote = Remote(client(), f"{site.url}/a.laz")
    site.files["/a.laz"] = TILE[:-1] + b"\0"
    with pytest.raises(InputError, match="changed on its server"):
        remote.read(100_000, 10)


def test_a_file_that_changes_under_a_weak_tag_is_refused_as_well(site):
    """Weak tags differ once a file changed (RFC 9110, 8.8.1), though equal ones prove nothing."""
    site.faults["/a.laz"] = [
        web.body(TILE[:16_384], 206, Content_Range=f"bytes 0-16383/{len(TILE)}", ETag='W/"1"',
                 Last_Modified="Mon, 02 Mar 2026 10:00:00 GMT"),
        web.body(TILE[:10], 206, Content_Range=f"bytes 100000-100009/{len(TILE)}", ETag='W/"2"',
                 Last_Modified="Tue, 03 Mar 2026 10:00:00 GMT"),
    ]  # fmt: skip
    remote = Remote(client(), f"{site.url}/a.laz")
    with pytest.raises(InputError, match="changed on its server"):
        remote.read(100_000, 10)


def test_parts_are_put_together_up_to_a_length():
    assert joined([(20, 10), (0, 10), (10, 10)], gap=0, most=20) == [(0, 20), (20, 10)]
    assert joined([(0, 50), (50, 10), (61, 1)], gap=1, most=20) == [(0, 50), (50, 12)]


# Pages kept -------------------------------------------------------------------------------------


def test_pages_are_kept_within_a_limit_and_only_if_sound(tmp_path):
    pages = Pages(tmp_path, most=100_000)
    for n in range(40):
        pages.put(f"https://a.example/{n}", bytes([n]) * 9_000)
    assert sum(p.stat().st_size for p in tmp_path.iterdir()) <= 100_000
    assert pages.get("https://a.example/39") == bytes([39]) * 9_000
    assert pages.get("https://a.example/0") is None
    pages.put("https://a.example/large", bytes(60_000))
    assert pages.get("https://a.example/large") is None
    for path in tmp_path.glob("*.page"):
        path.write_bytes(path.read_bytes()[:-1] + b"?")
    assert pages.get("https://a.example/39") is None
    assert Pages(tmp_path, age=0.0).get("https://a.example/38") is None
