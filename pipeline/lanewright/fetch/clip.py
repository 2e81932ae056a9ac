"""In a process of its own: points of fetched pieces within a box, written as one LAZ file.

Decoders can crash or hang on odd bytes, and pieces come from servers; so decoding is left to a
process whose memory and time are bounded. It takes a request as JSON on its standard input.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from pyproj import CRS

from lanewright.sources.decoding import bound_memory
from lanewright.sources.lidarlib import laspy

CHUNK = 1_000_000


@dataclass(frozen=True)
class Request:
    """What to clip.

    Attributes
    ----------
    pieces
        LAS or LAZ files of one point format and one CRS.
    box
        Left, bottom, right, top to keep, in the CRS of the pieces.
    crs
        WKT to state where the pieces state none.
    out
        File to write.
    """

    pieces: tuple[str, ...]
    box: tuple[float, float, float, float]
    crs: str
    out: str

    def to_json(self) -> str:
        """The request as text."""
        return json.dumps(asdict(self))


def clip(request: Request) -> int:
    """Write the points within the box; how many."""
    with laspy.open(request.pieces[0], laz_backend=laspy.LazBackend.Lazrs) as first:
        header = _header(first.header, request.crs)
    count = 0
    with laspy.open(
        request.out, mode="w", header=header, do_compress=True, laz_backend=laspy.LazBackend.Lazrs
    ) as writer:
        for piece in request.pieces:
            with laspy.open(piece, laz_backend=laspy.LazBackend.Lazrs, read_evlrs=False) as reader:
                if reader.header.point_format != header.point_format:
                    raise ValueError(f"{Path(piece).name} has another point format than the first")
                for points in reader.chunk_iterator(CHUNK):
                    count += _keep(points, request.box, header, writer)
    return count


def _keep(
    points: laspy.ScaleAwarePointRecord,
    box: tuple[float, float, float, float],
    header: laspy.LasHeader,
    writer: laspy.LasWriter,
) -> int:
    left, bottom, right, top = box
    x, y = np.asarray(points.x), np.asarray(points.y)
    kept = points[(x >= left) & (x <= right) & (y >= bottom) & (y <= top)]
    if not len(kept):
        return 0
    same = np.array_equal(kept.scales, header.scales) and np.array_equal(
        kept.offsets, header.offsets
    )
    if not same:
        kept.change_scaling(header.scales, header.offsets)
    writer.write_points(kept)
    return len(kept)


def _header(given: laspy.LasHeader, crs: str) -> laspy.LasHeader:
    """Header of the result: as the first piece has it, without what belonged to its order."""
    header = laspy.LasHeader(point_format=given.point_format, version=given.version)
    header.scales, header.offsets = given.scales, given.offsets
    header.global_encoding = given.global_encoding
    header.creation_date = given.creation_date
    header.vlrs = [v for v in given.vlrs if v.user_id not in ("copc", "laszip encoded")]
    stated = any(v.user_id == "LASF_Projection" for v in header.vlrs)
    if crs and not stated:
        header.add_crs(CRS.from_wkt(crs), keep_compatibility=False)
    return header


def main() -> None:
    """Serve one request."""
    bound_memory()
    given = json.load(sys.stdin)
    request = Request(tuple(given["pieces"]), tuple(given["box"]), given["crs"], given["out"])
    json.dump({"points": clip(request)}, sys.stdout)


if __name__ == "__main__":
    main()
