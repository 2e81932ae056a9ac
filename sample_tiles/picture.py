"""Draw the picture of the README from a run of the demo.

python sample_tiles/picture.py outputs/hollow-creek sample_tiles/hollow-creek.png
"""

import sys
from pathlib import Path

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import rasterio

mpl.use("Agg")
from matplotlib import pyplot as plt

KINDS = {"open": "#e6e6e6", "edge": "#f2c14e", "lane": "#f78154", "tunnel": "#b4436c"}
"""Light to dark, so that the order reads in grey too."""


def main(out: Path, picture: Path) -> None:
    """Canopy over hillshade, water and drainage, lanes, and the best legs of each kind of lane."""

    def raster(name: str) -> np.ndarray:
        with rasterio.open(out / "rasters" / f"{name}.tif") as source:
            left, bottom, right, top = source.bounds
            nonlocal extent
            extent = (left, right, bottom, top)
            return source.read(1, masked=True).filled(np.nan)

    def layer(name: str) -> gpd.GeoDataFrame:
        return gpd.read_file(out / "scout.gpkg", layer=name)

    extent = (0.0, 1.0, 0.0, 1.0)
    ground, canopy = raster("ground"), raster("canopy_height")
    down, right = np.gradient(ground, 0.5)
    shade = np.clip(0.75 + 1.2 * (down - right), 0.3, 1.0)
    fig, ax = plt.subplots(figsize=(10, 8.9))
    ax.imshow(shade, cmap="gray", vmin=0, vmax=1, extent=extent)
    ax.imshow(
        np.where(canopy > 2, canopy, np.nan), cmap="Greens", vmin=-4, vmax=26, extent=extent,
        alpha=0.75,
    )  # fmt: skip
    layer("water").plot(ax=ax, color="#3b6ea5")
    layer("drainage").plot(ax=ax, color="#3b6ea5", linewidth=1.2)
    layer("wet_ground").plot(ax=ax, facecolor="none", edgecolor="#3b6ea5", hatch="///", linewidth=0)
    legs = layer("legs")
    for kind, colour in KINDS.items():
        best = legs[(legs["lane_kind"] == kind) & (legs["origin"] == "search")]
        best = best.sort_values("score").tail(30)
        best.plot(ax=ax, color="#222222", linewidth=2.2)
        best.plot(ax=ax, color=colour, linewidth=1.2, label=f"legs: {kind}")
    layer("property").boundary.plot(ax=ax, color="black", linewidth=1.5)
    left, bottom = extent[0] + 20, extent[2] + 20
    ax.plot([left, left + 100], [bottom, bottom], color="black", linewidth=3)
    ax.text(left + 50, bottom + 5, "100 m (328 ft)", ha="center", fontsize=9)
    ax.legend(loc="upper right", fontsize=9)
    ax.set(xlim=extent[:2], ylim=extent[2:], xticks=[], yticks=[])
    ax.set_title("Hollow Creek: the best 30 legs of each kind of lane, over the canopy")
    fig.tight_layout()
    fig.savefig(picture, dpi=90)


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
