"""How often a ray is stopped per metre, voxel by voxel, from the pulses that stopped and passed.

Where pulses stop at random along their way at a rate λ per metre (Beer-Lambert), stops / passes is
the likeliest λ, whatever part of the path was cut short: an exponential lifetime with censoring.
One voxel holds a fraction of a pulse-metre under a canopy at 8 pulses/m2 and proves nothing by
itself; evidence has to be pooled, and pooling across the side of a lane or the top of brush puts
growth where there is none. So voxels are parted first into air and growth, and each is pooled with
its own kind:

1. A chain of Gamma priors from afar to near gives a first mean: the survey at that height, its
   neighbourhood 8 m wide, windows of 3.5, 2.5 and 1.5 m, the voxel. At each step
   mean = (hold * mean before + stops) / (hold + passes), with `hold` metres of path.
2. The density of growth about each place is the mean of stops over passes, both weighted by a
   first chance of growth.
3. Each voxel's pulses speak for growth of that density or for air (Poisson likelihood), and it
   minds its neighbours: an Ising prior, whose mean field is iterated `ROUNDS` times from an even
   chance. That lets evidence run along a wall or a brush top of any shape but not across it. Where
   no pulse says anything the first mean decides: an edge lies where it is half the density of
   growth, and of a thicket that nothing reached more is taken for growth than for air. The last
   round is sharpened, for a small chance of dense growth everywhere is not the same as thin growth,
   and closes every lane.
4. What stopped a pulse alone, where others passed that growth would have stopped, is thin growth:
   to see it only where it stopped one lets every throw that is sought steer around it.
5. Growth is pooled with growth and air with air; what stopped beside growth is its fringe.

Chosen in planted woods (`tests/bench/truth.py`; 8 pulses/m2, legs with their stems known): windows
of step 1 alone, three metres up and down as they once were, said 0.13 to 0.19 too little of
tunnels and 2.5 times the density over brush; a fourth of that height, 0.04 to 0.19 and twice; this,
0.03 to 0.04 and 1.3. A stronger `AGREE` loses brush that few pulses saw, half of it closes tunnels.
An edge at 0.06 per metre, whatever grows, made lanes half a metre narrower on either side and brush
half a metre higher; without step 4 wood among pines read 0.15 clearer.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lanewright.base.arrays import Raster
from lanewright.growth.pulses import UNIT
from lanewright.kernels import columns as counting
from lanewright.kernels import density as kernels
from lanewright.kernels.density import Pulses
from lanewright.settings.vegetation import VegetationSettings

Counts = NDArray[np.int32]

LAYER_HEIGHT = 0.25
"""Of a layer [m]."""

BLURRED_LAYERS = 2
"""Layers from the ground up where ranges blur into the ground, pooled among themselves only."""

BAND_SHIFT = 1
"""Two layers to a band of the survey's prior, so that the blurred ones stay apart."""

OWN = (1.75, 4)  # window over which growth is pooled: half width [m], layers up and down
CLOSER = (1.25, 2)  # the same once more, and that of air
WINDOWS = ((1.75, 3), CLOSER, (0.75, 1))
GROWTH, AIR = 0.3, 0.001  # 1/m, densities expected before anything was seen
HARDLY = 6  # power of the chance of air by which thin growth is weighed
GROWTH_FROM = 0.1  # 1/m, density of a first even chance of growth

ODDS = kernels.Odds(air=0.004, least=0.05, unseen=0.06, lean=0.3, most=1.0)
AGREE = (0.4, 0.6)  # weight of a neighbour beside, and of one above
ROUNDS = 8
PULSE_SHARE = 0.6
"""Of a pulse that a return under trees stands for, which yet is a whole event of evidence; ours."""

SHARPEN = 8.0
PROVES = 1.0  # pulses stopped in growth beyond a half that prove it


def margin_cells(cell: float) -> int:
    """Cells around a block that its estimate looks at."""
    first, own, closer = (half_width(w[0], cell) for w in (WINDOWS[0], OWN, CLOSER))
    return first + own + ROUNDS + own + closer


def half_width(half: float, cell: float) -> int:
    """Whole cells to each side, at least the next one."""
    return max(1, int(half / cell))


def contact_density(
    stops: Counts, passes: Counts, prior: Raster, cell: float, settings: VegetationSettings
) -> Raster:
    """Contact density of a block and its margin.

    Parameters
    ----------
    stops, passes
        Stopped pulses, and paths in pulses times layers, in units of 1 / `pulses.UNIT`
        (rows, cols, layers).
    prior
        Expected contact density [1/m] (rows, cols, bands).
    cell
        Side of a cell [m].
    settings
        How strongly priors hold.

    Returns
    -------
    (rows, cols, layers)
        Mean contact density [1/m]; right where `margin_cells` of evidence lie around, or the edge
        of all evidence.
    """
    pulses = Pulses(stops, passes, 1.0 / UNIT, LAYER_HEIGHT / UNIT)

    mean = np.repeat(prior, 1 << BAND_SHIFT, 2).astype(np.float32)
    for window in WINDOWS:
        kernels.update_over(mean, pulses, _cells(window, cell), settings.prior_path)
    kernels.update(mean, pulses, settings.own_prior_path)

    around = pulses._replace(passes=_summed(pulses.passes, cell))
    chance = _chance_of_growth(pulses, mean, around.passes, cell, settings)
    growing = np.empty_like(stops)
    kernels.share(stops, chance, growing)
    kernels.not_alone(chance, _summed(growing, cell), around, PROVES, ODDS.least)
    growth = _part(pulses, chance)
    air = pulses._replace(stops=growing, passes=pulses.passes - growth.passes)
    kernels.of_air(stops, chance, air.stops)
    dense = np.full_like(mean, GROWTH)
    mean[:] = AIR
    kernels.update_over(dense, growth, _cells(OWN, cell), settings.prior_path)
    kernels.update_over(dense, growth, _cells(CLOSER, cell), settings.prior_path)
    kernels.update_over(mean, air, _cells(CLOSER, cell), settings.prior_path)
    kernels.mixed(chance, dense, mean)
    return dense


def _chance_of_growth(
    pulses: Pulses, mean: Raster, searched: Counts, cell: float, settings: VegetationSettings
) -> Raster:
    """Chance that each voxel is growth and not air, given the first mean density [1/m]."""
    chance, other = np.empty_like(mean), np.empty_like(mean)
    kernels.chance_at(mean, GROWTH_FROM, chance)
    dense = np.full_like(mean, GROWTH)
    kernels.update_over(dense, _part(pulses, chance), _cells(OWN, cell), settings.prior_path)
    thin = np.full_like(mean, AIR)
    hardly = _part(pulses, (1 - chance) ** HARDLY)
    kernels.update_over(thin, hardly, _cells(OWN, cell), settings.prior_path)
    odds = np.empty_like(mean)
    whole = 1.0 / PULSE_SHARE
    events = pulses._replace(per_pulse=whole * pulses.per_pulse, per_path=whole * pulses.per_path)
    kernels.log_odds(events, mean, dense, thin, searched, ODDS, odds)
    chance[:] = 0.5
    for i in range(ROUNDS):
        gain = SHARPEN if i == ROUNDS - 1 else 1.0
        kernels.agree(odds, chance, BLURRED_LAYERS, AGREE, gain, other)
        chance, other = other, chance
    return chance


def _cells(window: tuple[float, int], cell: float) -> tuple[int, int, int]:
    """A window as kernels take it: half width in cells and layers, and where it is parted."""
    return half_width(window[0], cell), window[1], BLURRED_LAYERS


def _summed(counts: Counts, cell: float) -> Counts:
    """Sum over `CLOSER` about each voxel."""
    return counting.window_sum(counts, *_cells(CLOSER, cell))


def _part(pulses: Pulses, chance: Raster) -> Pulses:
    """Pulses that go with a chance."""
    stops, passes = np.empty_like(pulses.stops), np.empty_like(pulses.passes)
    kernels.share(pulses.stops, chance, stops)
    kernels.share(pulses.passes, chance, passes)
    return pulses._replace(stops=stops, passes=passes)
