"""Draw a run's layers and rasters as PNG, for eyes: python tests/look.py OUTDIR PNGDIR."""

import sys
from pathlib import Path

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pyogrio
import rasterio

from lanewright.base import schema
from lanewright.publish.styles import styles_of
from lanewright.publish.symbols import Fill, Line, Mark, Style

mpl.use("Agg")
from matplotlib import pyplot as plt
from matplotlib.collections import EllipseCollection, LineCollection

POINTS_PER_MM = 72 / 25.4
MARKERS = {"circle": "o", "triangle": "^", "square": "s"}
BOTTOM_FIRST = (
    "openings water wet_ground drainage trees lanes legs property cautions basket_sites tee_sites"
)
MAPS = {
    "ground": "cividis",
    "slope": "magma_r",
    "canopy_height": "YlGn",
    "free_width": "viridis",
    "canopy_cover": "Greens",
    "brush_density": "YlOrBr",
    "wetness": "Blues",
    "ponding": "Blues",
    "seen_share": "cividis",
    "aspect_deg": "twilight",
}


def draw(ax, frame: gpd.GeoDataFrame, style: Style) -> None:
    if style.on_top:
        frame = frame.sort_values(style.on_top)
    for rule in style.rules:
        rows = frame
        if rule.value is not None:
            rows = frame[frame[style.column] == rule.value]
        elif rule.between:
            rows = frame[frame[style.column].between(*rule.between, inclusive="left")]
        if rows.empty:
            continue
        match rule.symbol:
            case Line() as line:
                trace(ax, rows.geometry, line)
            case Fill() as fill:
                if fill.hatch:
                    rows.plot(ax=ax, fc="none", ec=fill.colour, lw=0.2, hatch="////")
                elif fill.colour:
                    rows.plot(ax=ax, fc=fill.colour, ec="none", alpha=fill.opacity)
                if fill.outline:
                    trace(ax, rows.boundary, fill.outline)
            case Mark() as mark:
                place(ax, rows, mark)


def trace(ax, shapes: gpd.GeoSeries, line: Line) -> None:
    pieces = [np.asarray(part.coords)[:, :2] for part in shapes.explode().array]
    dashes = [d / line.width for d in line.dash]  # matplotlib counts dashes in line widths
    ax.add_collection(
        LineCollection(
            pieces,
            colors=line.colour,
            linewidths=line.width * POINTS_PER_MM,
            linestyles=[(0, dashes) if dashes else "solid"],
            alpha=line.opacity,
        )
    )
    ax.autoscale_view()


def place(ax, rows: gpd.GeoDataFrame, mark: Mark) -> None:
    edge = {"ec": mark.outline.colour, "lw": mark.outline.width * POINTS_PER_MM}
    if mark.size_column:
        size = rows[mark.size_column].to_numpy()
        ax.add_collection(
            EllipseCollection(
                size,
                size,
                np.zeros(len(rows)),
                units="xy",
                fc=mark.colour,
                alpha=mark.opacity,
                offsets=np.c_[rows.geometry.x, rows.geometry.y],
                offset_transform=ax.transData,
                **edge,
            )
        )
        ax.autoscale_view()
        return
    ax.scatter(
        rows.geometry.x, rows.geometry.y, s=(mark.size * POINTS_PER_MM) ** 2, fc=mark.colour,
        marker=MARKERS[mark.shape], zorder=5, **edge,
    )  # fmt: skip


def finish(fig, ax, path: Path, title: str) -> None:
    ax.set_aspect("equal")
    ax.set_title(title)
    ax.ticklabel_format(useOffset=False, style="plain")
    ax.tick_params(labelsize=6)
    fig.savefig(path, dpi=110, bbox_inches="tight")
    plt.close(fig)
    print(path)


def look(out: Path, pictures: Path) -> None:
    pictures.mkdir(parents=True, exist_ok=True)
    scout = out / "scout.gpkg"
    there = set(pyogrio.list_layers(scout)[:, 0]) & set(schema.LAYERS) if scout.exists() else set()
    frames = {name: gpd.read_file(scout, layer=name) for name in sorted(there)}
    whole, all_axes = plt.subplots(figsize=(12, 12))
    for name in BOTTOM_FIRST.split():
        if name not in frames:
            continue
        style = styles_of(name)[0]
        fig, ax = plt.subplots(figsize=(10, 10))
        for axes in (ax, all_axes):
            draw(axes, frames[name], style)
        if name != "property" and "property" in frames:
            draw(ax, frames["property"], styles_of("property")[0])
        title = f"{schema.LAYERS[name].title}: {len(frames[name])}"
        finish(fig, ax, pictures / f"layer-{name}.png", title)
    finish(whole, all_axes, pictures / "map.png", "Every layer by its stored style")

    for path in sorted((out / "rasters").glob("*.tif")):
        with rasterio.open(path) as source:
            shape = tuple(max(1, round(n * min(1, 1400 / max(source.shape)))) for n in source.shape)
            band = source.read(1, masked=True, out_shape=shape).filled(np.nan)
            left, bottom, right, top = source.bounds
            title = f"{source.descriptions[0]} [{source.units[0]}]"
        fig, ax = plt.subplots(figsize=(11, 10))
        ax.set_facecolor("#dddddd")  # void
        low, high = np.nanquantile(band, [0.01, 0.99]) if np.isfinite(band).any() else (0, 1)
        shown = ax.imshow(
            band, extent=(left, right, bottom, top), vmin=low, vmax=high,
            cmap=MAPS.get(path.stem, "viridis"), interpolation="nearest",
        )  # fmt: skip
        fig.colorbar(shown, ax=ax, shrink=0.7)
        finish(fig, ax, pictures / f"raster-{path.stem}.png", title)


if __name__ == "__main__":
    look(Path(sys.argv[1]), Path(sys.argv[2]))
