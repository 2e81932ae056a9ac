"""Fetching what was chosen into a folder: parts where the server allows, whole files where not."""

from __future__ import annotations

import math
import shutil
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError, ProjError

from lanewright.base.errors import Faults, InputError
from lanewright.fetch import copc, ept
from lanewright.fetch.address import ELSEWHERE, file_name
from lanewright.fetch.catalogue import Offer
from lanewright.fetch.client import Allowance, Client, Manners
from lanewright.fetch.clip import Request
from lanewright.fetch.cog import cut_window
from lanewright.fetch.configuration import Got, read_record, write_record
from lanewright.fetch.download import Expected, digest, download
from lanewright.fetch.guarded import clip_guarded
from lanewright.fetch.products import Place, Product
from lanewright.fetch.ranges import NoRanges, Remote
from lanewright.fetch.sources import Source, StacSource
from lanewright.fetch.stac import signed
from lanewright.sources.las import open_tile
from lanewright.sources.rasters import open_elevation

CONNECTIONS = 4
"""Requests to one server at a time."""

UNSTATED = 2 * 10**9
"""Bytes reckoned for a whole file of unstated size; it may have four times as many."""

_TOO_MUCH = "Draw a smaller boundary, choose another offer with --take, or raise --most."

Box = tuple[float, float, float, float]
Progress = Callable[[float], None]


@dataclass(frozen=True)
class Job:
    """Where to put what, and how much may come.

    Attributes
    ----------
    margin
        Metres around the property.
    most
        Bytes of all files together that may be fetched.
    """

    folder: Path
    place: Place
    margin: float
    most: int
    manners: Manners | None = None


@dataclass(frozen=True)
class Totals:
    """What is going to be fetched, before it starts."""

    files: int
    whole: int
    parts: int

    def said(self, folder: Path) -> str:
        """In one line."""
        in_parts = f", and parts of {self.parts} more" if self.parts else ""
        return (
            f"{self.files} whole files, about {self.whole / 1e6:,.1f} MB{in_parts}, into {folder}"
        )


def totals(offers: Sequence[Offer], job: Job) -> Totals:
    """Count what there is to fetch, and refuse more than may come or the disk holds.

    Raises
    ------
    InputError
        If it is too much.
    """
    record = read_record(job.folder)
    products = [p for o in offers for p in o.products if not _seems_there(job, record.get(p.url))]
    whole = [p for p in products if p.form == "laz"]
    size = sum(p.size or UNSTATED for p in whole)
    if size > job.most:
        much = f"{size / 1e9:.1f} GB are to be fetched, more than {job.most / 1e9:.1f} GB"
        raise InputError("get", f"{len(whole)} files of {much}", _TOO_MUCH)
    job.folder.mkdir(parents=True, exist_ok=True)
    free = shutil.disk_usage(job.folder).free
    if size > 0.9 * free:
        problem = f"has room for {free / 1e9:.1f} GB, {size / 1e9:.1f} are to be fetched"
        raise InputError(job.folder, problem, "Make room, or choose another with --into.")
    return Totals(len(whole), size, len(products) - len(whole))


def get(
    offers: Sequence[Offer],
    sources: dict[str, Source],
    job: Job,
    progress: Progress = lambda _share: None,
) -> tuple[list[Got], list[str]]:
    """Fetch all products of the offers; those that are there already stay.

    Returns
    -------
    tuple
        Files, and what to say of them.

    Raises
    ------
    InputError
        For every product that could not be had, together; the others are kept for a rerun.
    """
    products = [p for offer in offers for p in offer.products]
    record, faults, said = read_record(job.folder), Faults(), []
    got: list[Got] = []
    allowance = Allowance(job.most, "get", _TOO_MUCH)
    for count, product in enumerate(products):
        kept = record.get(product.url)
        if kept is not None and _still_there(job, kept):
            got.append(kept)
            progress((count + 1) / len(products))
            continue
        share = partial(_part_of, progress, count, len(products))
        source = sources[product.source]
        client = Client(source.trust, job.manners, allowance)
        found = faults.attempt(partial(_one, client, source, product, job, share))
        if found is not None:
            got.append(found)
            record[product.url] = found
            write_record(job.folder, list(record.values()))
            said.append(_amount(found))
        if allowance.used_up:
            break
        progress((count + 1) / len(products))
    faults.stop()
    if not got:
        raise InputError("get", "no file holds anything of the property", "Look at its CRS.")
    return got, said


def _part_of(progress: Progress, before: int, total: int, share: float) -> None:
    progress((before + min(share, 1.0)) / total)


def _amount(found: Got) -> str:
    of = f" of {found.whole / 1e6:,.2f} MB" if found.whole else ""
    return f"{found.name}: {found.used / 1e6:,.2f} MB fetched{of}"


def _seems_there(job: Job, got: Got | None) -> bool:
    """Whether a file was fetched before for all that is asked for now, by its size alone."""
    if got is None or Path(got.name).name != got.name:
        return False
    if got.box is not None:
        west, south, east, north = job.place.around(job.margin)
        box = got.box
        if box[0] > west or box[1] > south or box[2] < east or box[3] < north:
            return False
    path = job.folder / got.name
    return path.is_file() and path.stat().st_size == got.size


def _still_there(job: Job, got: Got) -> bool:
    return _seems_there(job, got) and digest(job.folder / got.name).sha256 == got.sha256


def _one(
    client: Client,
    source: Source,
    product: Product,
    job: Job,
    progress: Progress,
) -> Got | None:
    """Fetch one product; None where nothing of it lies on the property."""
    suffix = ".tif" if product.form == "tif" else ".laz"
    path = job.folder / file_name(product.url, suffix)
    url = product.url
    if isinstance(source, StacSource) and product.form != "ept":
        url = signed(client, source, url)
    before = client.received
    try:
        size = _in_parts(client, url, product, path, job, progress)
    except NoRanges:
        size = None
    if size == 0:
        return None
    box = job.place.around(job.margin) if size is not None else None
    if size is None:
        limit = min(round((product.size or 4 * UNSTATED) * 1.01) + 1, job.most)
        expected = Expected(limit, product.size, product.sha256)
        stated = product.size or UNSTATED
        size = download(client, url, path, expected, lambda n: progress(min(n / stated, 1.0))).size
    _believe(path, product)
    file = digest(path)
    return Got(
        path.name, product.url, product.source, product.kind, file.size, file.sha256,
        client.received - before, size, product.licence, product.vertical, box,
    )  # fmt: skip


def _believe(path: Path, product: Product) -> None:
    """Look at the file as a run would, and keep none that it would refuse at first sight."""
    try:
        if product.kind == "points":
            open_tile(path)
        else:
            open_elevation(path, None, None)
    except InputError as fault:
        if "crs." in fault.remedy:  # a run has settings for what the file does not state
            return
        path.unlink(missing_ok=True)
        raise InputError(product.url[:200], fault.problem, ELSEWHERE) from None


def _in_parts(
    client: Client, url: str, product: Product, path: Path, job: Job, progress: Progress
) -> int | None:
    """Write the part that is needed; bytes of the whole file, 0 for nothing, None to fetch all."""

    def box_in(wkt: str) -> Box:
        return box_of(job, wkt, product.url)

    if product.form == "copc":
        return _copc(client, url, path, box_in, progress)
    if product.form == "ept":
        return _ept(client, url, path, box_in, progress)
    if product.form == "tif":
        remote = Remote(client, url)
        part = path.with_name(f".{path.name}.part.tif")
        rows, _cols = cut_window(remote, url, box_in, part)
        if not rows:
            return 0
        part.replace(path)
        return remote.size
    return None


def box_of(job: Job, wkt: str, url: str) -> Box:
    """Box of the property and its margin in another CRS.

    Raises
    ------
    InputError
        If there is no way to that CRS.
    """
    west, south, east, north = job.place.around(job.margin)
    try:
        flat = CRS.from_wkt(wkt)
        flat = flat.sub_crs_list[0] if flat.is_compound else flat
        to = Transformer.from_crs("EPSG:4326", flat, always_xy=True)
    except (CRSError, ProjError):
        raise InputError(url[:200], "states a CRS that is none", ELSEWHERE) from None
    middle = job.place.middle[0]
    turn = 360.0 * round(middle / 360.0)
    try:
        found = to.transform_bounds(west - turn, south, east - turn, north, errcheck=True)
    except ProjError:
        found = (math.inf,) * 4
    if not all(map(math.isfinite, found)):
        raise InputError(url[:200], "its CRS does not reach the property", ELSEWHERE)
    return found[0], found[1], found[2], found[3]


def _copc(
    client: Client, url: str, path: Path, box_in: Callable[[str], Box], progress: Progress
) -> int:
    remote = Remote(client, url)
    tree = copc.octree(remote, url)
    crs = copc.stated_crs(remote, tree)
    if not crs:
        raise NoRanges(url)  # without a CRS nobody knows where the property lies in it
    box = box_in(crs)
    nodes = copc.nodes_within(remote, tree, box, url)
    if not nodes:
        return 0
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".piece-") as folder:
        piece = Path(folder) / "part.laz"
        copc.copy_part(remote, url, tree, nodes, piece, progress)
        return remote.size if _clipped((str(piece),), box, "", path, url) else 0


def _ept(
    client: Client, url: str, path: Path, box_in: Callable[[str], Box], progress: Progress
) -> int:
    tree = ept.tree_of(client, url)
    if not tree.crs:
        raise InputError(url[:200], "does not state its CRS", ELSEWHERE)
    box = box_in(tree.crs)
    nodes = ept.nodes_within(client, tree, box)
    if not nodes:
        return 0
    with tempfile.TemporaryDirectory(dir=path.parent, prefix=".piece-") as folder:
        pieces = [Path(folder) / f"{node.key}.laz" for node in nodes]
        done = [0]

        def one(node: ept.Node, piece: Path) -> None:
            download(client, ept.node_url(tree, node), piece, Expected(ept.MOST_NODE))
            done[0] += 1
            progress(done[0] / len(nodes))

        with ThreadPoolExecutor(CONNECTIONS) as pool:
            list(pool.map(one, nodes, pieces))
        size = sum(p.stat().st_size for p in pieces)
        points = sum(n.points for n in nodes)
        whole = round(size * tree.points / points) if tree.points else size
        found = _clipped(tuple(map(str, pieces)), box, tree.crs, path, url)
    return max(whole, 1) if found else 0


def _clipped(pieces: tuple[str, ...], box: Box, crs: str, path: Path, url: str) -> bool:
    """Clip pieces into the file; False, and no file, where no point lies in the box."""
    part = path.with_name(f".{path.stem}.part.laz")
    try:
        count = clip_guarded(Request(pieces, box, crs, str(part)), url)
        if count:
            part.replace(path)
        return count > 0
    finally:
        part.unlink(missing_ok=True)
