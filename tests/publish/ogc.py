"""Rules of OGC GeoPackage 1.3 (OGC 12-128r18) that plain SQL and bytes can check.

A second opinion beside the validator, which may not be installed; numbers are the requirements'.
"""

import re
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

GEOMETRY_CODES = {"POINT": 1, "LINESTRING": 2, "POLYGON": 3, "MULTIPOLYGON": 6}
SQL_TYPE = re.compile(
    r"(BOOLEAN|TINYINT|SMALLINT|MEDIUMINT|INT|INTEGER|FLOAT|DOUBLE|REAL|DATE|DATETIME"
    r"|TEXT(\(\d+\))?|BLOB(\(\d+\))?)$"
)
INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$")


def faults(path: Path) -> list[str]:
    """Sentences about what breaks the rules; none for a good file."""
    head = path.read_bytes()[:100]
    said = []
    if head[:16] != b"SQLite format 3\0":
        return ["1: not an SQLite 3 file"]
    if head[68:72] != b"GPKG":
        said.append("2: application_id is not GPKG")
    if not 10300 <= struct.unpack(">I", head[60:64])[0] <= 10499:
        said.append("2: user_version is not 1.3 or 1.4")
    with closing(sqlite3.connect(path)) as db:
        said += _whole(db) + _references(db) + _contents(db)
        for table, column, name, srs, z in db.execute(
            "SELECT table_name, column_name, geometry_type_name, srs_id, z "
            "FROM gpkg_geometry_columns"
        ).fetchall():
            said += _features(db, table, column, name, srs, z)
    return said


def _whole(db):
    said = []
    if db.execute("PRAGMA integrity_check").fetchall() != [("ok",)]:
        said.append("6: integrity_check")
    if db.execute("PRAGMA foreign_key_check").fetchall():
        said.append("7: foreign_key_check")
    return said


def _references(db):
    there = {row[0] for row in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    missing = {-1, 0, 4326} - there
    return [f"11: srs_id {sorted(missing)} missing"] if missing else []


def _contents(db):
    said = []
    tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    known = {row[0] for row in db.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    listed = set()
    for table, kind, changed, srs in db.execute(
        "SELECT table_name, data_type, last_change, srs_id FROM gpkg_contents"
    ):
        listed.add(table)
        if table not in tables:
            said.append(f"13: no table {table}")
        if kind not in ("features", "attributes"):
            said.append(f"17: data_type {kind}")
        if not INSTANT.match(changed):
            said.append(f"15: last_change {changed}")
        if srs is not None and srs not in known:
            said.append(f"14: srs_id {srs} of {table}")
        primary = [r for r in db.execute(f'PRAGMA table_info("{table}")') if r[5]]
        if len(primary) != 1 or primary[0][2] != "INTEGER":
            said.append(f"29: {table} has no INTEGER PRIMARY KEY")
    system = ("gpkg_", "sqlite_", "rtree_")
    stray = {name for name in tables - listed if not name.startswith(system)}
    if stray:
        said.append(f"not in contents: {sorted(stray)}")
    return said


def _features(db, table, column, name, srs, z):
    said = []
    if name not in GEOMETRY_CODES:
        return [f"25: geometry type {name} of {table}"]
    own = db.execute("SELECT srs_id FROM gpkg_contents WHERE table_name = ?", (table,)).fetchone()
    if own != (srs,):
        said.append(f"146: {table} has two srs_ids")
    for _, field, declared, *_ in db.execute(f'PRAGMA table_info("{table}")'):
        if field != column and not SQL_TYPE.match(declared):
            said.append(f"5: type {declared} of {table}.{field}")
    count = 0
    for key, blob in db.execute(f'SELECT fid, "{column}" FROM "{table}"'):
        count += 1
        said += _blob(f"{table} {key}", blob, GEOMETRY_CODES[name] + (1000 if z == 1 else 0), srs)
    index = db.execute(f'SELECT count(*) FROM "rtree_{table}_{column}"').fetchone()
    if index != (count,):
        said.append(f"77: the R-tree of {table} holds {index[0]} of {count} rows")
    return said


def _blob(where, blob, code, srs):
    if blob[:3] != b"GP\0":
        return [f"19: {where} is not GeoPackageBinary"]
    order = "<" if blob[3] & 1 else ">"
    envelope = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}[(blob[3] >> 1) & 7]
    said = []
    if struct.unpack(order + "i", blob[4:8])[0] != srs:
        said.append(f"33: {where} has another srs_id")
    wkb = blob[8 + envelope :]
    if struct.unpack(("<" if wkb[0] else ">") + "I", wkb[1:5])[0] != code:
        said.append(f"32: {where} is not of the declared type")
    return said
