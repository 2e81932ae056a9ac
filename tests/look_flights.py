"""Draw the best legs' throws over real columns: python tests/look_flights.py CONFIG PNG [LEVEL].

Each leg from above, over the growth at throwing height, and from the side, over the growth within
two metres of the flight aimed for: some throws that got through (blue), some that did not (red),
the flight aimed for (black), and where throws come to rest. Takes a finished run's own store.
"""

import sys
from pathlib import Path

import matplotlib as mpl
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent / "bench"))

from throws import before_legs

from lanewright.flight.flight import FINISHES
from lanewright.kernels import throws as kernel
from lanewright.legs import throwing
from lanewright.legs.contacts import contacts_of
from lanewright.legs.legs import find_legs
from lanewright.legs.throwing import Lines
from lanewright.settings.config import load

mpl.use("Agg")
from matplotlib import pyplot as plt

LEGS, SHOWN, SIDE = 10, 60, 2.0
UPTO = 12.0  # m shown from the side


def main() -> None:
    """Draw the ten best legs of one level."""
    config, png = load(Path(sys.argv[1])), sys.argv[2]
    run = before_legs(config)
    name = sys.argv[3] if len(sys.argv) > 3 else run.flights.levels[0].level.name
    flights = next(f for f in run.flights.levels if f.level.name == name)
    world, grid = run.world, run.world.grid
    found = find_legs(world, run.flights, config.legs)
    legs = found.legs[(found.legs["level"] == name) & (found.legs["lane_kind"] != "open")]
    legs = legs.drop_duplicates("tee_id").head(LEGS)
    lines, paths = Lines.of(legs), throwing.paths_of(flights)
    contacts = contacts_of(world, config.legs.throw, config.leaf_state)
    ends = np.array([[g.coords[0], g.coords[-1]] for g in legs.geometry])
    seeds = throwing.seeds_of(name, lines, ends[:, 0, 0], ends[:, 0, 1], *ends[:, 1, :2].T)
    thrown = throwing.throw(
        lines, flights, paths, contacts, seeds, config.legs.throws, grid.cell, stops=True
    )
    rates = contacts.table[np.asarray(world.density)].astype(np.float32)
    band = rates[..., 2:20].max(-1)
    length = throwing.length_of(lines, grid.cell)
    rows = paths.row_of(flights, lines, length, throwing._rise(lines, flights, contacts))
    fig, axes = plt.subplots(LEGS, 2, figsize=(20, 4.2 * LEGS), width_ratios=(1, 1.6))
    for i, (ax, leg) in enumerate(zip(axes, legs.itertuples(), strict=False)):
        draw(ax, leg, i, lines, thrown, contacts, flights, paths, rows, seeds, band, rates, world)
    fig.tight_layout()
    fig.savefig(png, dpi=60)


def draw(ax, leg, i, lines, thrown, contacts, flights, paths, rows, seeds, band, rates, world):
    cell, length = world.grid.cell, leg.length_m
    r0, c0 = lines.tee_row[i] + 0.5, lines.tee_col[i] + 0.5
    ur = (lines.end_row[i] - lines.tee_row[i]) * cell / length
    uc = (lines.end_col[i] - lines.tee_col[i]) * cell / length
    along = np.arange(-5, length + 40, cell)
    aside = np.arange(-25, 25, cell)
    a, s = np.meshgrid(along, aside)
    row = np.clip((r0 + (ur * a - uc * s) / cell).astype(int), 0, band.shape[0] - 1)
    col = np.clip((c0 + (uc * a + ur * s) / cell).astype(int), 0, band.shape[1] - 1)
    ax[0].pcolormesh(along, aside, np.log10(band[row, col] + 1e-3), cmap="Greens", vmin=-3, vmax=1)
    path = paths.table.path[rows[i]].T.astype(float)
    mid = np.interp(along / length, path[:, 0], path[:, 1]) * length
    strip = np.abs(s - mid) <= SIDE
    column = np.where(strip[..., None], rates[row, col], 0).max(0)
    ground = world.ground[row, col][np.argmin(np.abs(aside))]
    heights = np.arange(64) * 0.25
    x = np.broadcast_to(along[:, None], column.shape)
    ax[1].pcolormesh(
        x, ground[:, None] + heights, np.log10(column + 1e-3), cmap="Greens", vmin=-3, vmax=1,
        shading="nearest",
    )  # fmt: skip
    ax[1].plot(along, ground, "k", lw=1)
    release, end = ground[10] + flights.release, world.ground[lines.end_row[i], lines.end_col[i]]
    release = world.ground[lines.tee_row[i], lines.tee_col[i]] + flights.release
    dz = end + flights.end - release
    spread = np.moveaxis(paths.table.spread[rows[i]].astype(float), -1, -2)
    even, shifts = throwing.even_points(SHOWN), kernel.shifts_of(seeds[i])
    chances = np.empty(kernel.CHANCES, np.float32)
    for t in range(SHOWN):
        kernel._draw(even, t, shifts, paths.table, chances)
        way = path.copy()
        way[:, 2] += chances[kernel.HIGHER] * np.maximum(way[:, 2], 0)
        way += np.einsum("e,enk->nk", chances[: kernel.ERRORS], spread)
        cos, sin = chances[kernel.COSINE], chances[kernel.SINE]
        u, v = way[:, 0] * cos - way[:, 1] * sin, way[:, 0] * sin + way[:, 1] * cos
        z = release + dz * u + way[:, 2]
        stop = thrown.stops[i, t]
        hit = np.isfinite(stop[3])
        last = stop[0] if hit else np.inf
        rest = ((stop[4] - r0) * ur + (stop[5] - c0) * uc) * cell
        shown = (u <= last) & (u * length <= max(rest, 0) + 1)
        colour = "tab:red" if hit else "tab:blue"
        for panel, other in ((ax[0], v * length), (ax[1], z)):
            panel.plot(u[shown] * length, other[shown], color=colour, lw=0.5, alpha=0.6)
    rest_a = ((thrown.stops[i, :, 4] - r0) * ur + (thrown.stops[i, :, 5] - c0) * uc) * cell
    rest_s = (-(thrown.stops[i, :, 4] - r0) * uc + (thrown.stops[i, :, 5] - c0) * ur) * cell
    flew = np.isnan(thrown.stops[i, :, 3])
    ax[0].scatter(rest_a[flew], rest_s[flew], s=3, color="tab:blue")
    ax[0].scatter(rest_a[~flew], rest_s[~flew], s=3, color="tab:red")
    inside = path[:, 0] <= 1
    ax[0].plot(path[inside, 0] * length, path[inside, 1] * length, "k", lw=1.5)
    ax[1].plot(
        path[inside, 0] * length, (release + dz * path[:, 0] + path[:, 2])[inside], "k", lw=1.5
    )
    ax[0].set(xlim=(-5, length + 40), ylim=(-25, 25), aspect="equal")
    low = np.nanmin(ground)
    ax[1].set(xlim=(-5, length + 40), ylim=(low - 1, low + UPTO + np.ptp(ground)))
    ax[0].set_title(
        f"leg {leg.leg_id} {leg.level} {leg.finish} {leg.height_class} {length:.0f} m, "
        f"{leg.lane_kind}, rise {leg.rise_m:.1f}"
    )
    others = ", ".join(f"{f} {getattr(leg, 'clear_rate_' + f):.2f}" for f in FINISHES)
    ax[1].set_title(
        f"clear {leg.clear_rate:.2f} ({others}); fails at {leg.fail_at_m:.0f} m, "
        f"{leg.fail_height_m:.1f} m up, {leg.fail_side_m:+.1f} m on {leg.fail_on}; pinch "
        f"{leg.pinch_width_m:.1f} at {leg.pinch_at_m:.0f}; lands {leg.landing_long_m:.0f} x "
        f"{leg.landing_wide_m:.0f} m"
    )


if __name__ == "__main__":
    main()
