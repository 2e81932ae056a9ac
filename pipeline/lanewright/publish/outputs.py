"""Names of the files that a run may write into its out folder, apart from its log."""

from __future__ import annotations

from lanewright.base import schema

DESIGNER_START = "designer-start.gpkg"
"""Best layout as lines that a designer copies, edits and hands back."""

PROJECT = "scout.qgz"
"""QGIS project; the same is stored in the GeoPackage."""

OUTPUTS = (
    "scout.gpkg",
    PROJECT,
    DESIGNER_START,
    "holes.csv",
    "report.html",
    "field-book.pdf",
    "concept-plan.pdf",
    "field-points.gpx",
    "field-points.kml",
    "summary.json",
    *(f"rasters/{name}.tif" for name in schema.RASTERS),
)
"""Relative to the out folder, or to the folder within it for the designer's own lines."""
