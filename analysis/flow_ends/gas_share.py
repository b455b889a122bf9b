"""How much liquid still leaves while gas comes: what pressure shows of it, beside gas and as one fluid with it.

No units: flows are shares of the liquid's own at full bore. Gas in a core beside the liquid takes its place in
proportion to what the volume flow grows by. Mixed with it to one fluid it slows the liquid before the volume flow grows
at all. A record does not tell the two apart, so both count.
"""

from functools import lru_cache

import numpy as np

from standbook.analysis.flow_ends.bends import EARLY, EVEN, FOLD
from standbook.daq.arrays import Array

CHOKED = 0.53  # gas speed over that by Bernoulli with the liquid's drive: choked flow through a sharp orifice
LEAST_RATIO = 1.2


@lru_cache(maxsize=256)
def _mixture(ratio: float) -> tuple[Array, Array]:
    """Return volume flow and liquid flow of a mixture as its gas grows from none to all, at one ratio of speeds."""
    gas = np.concatenate([np.linspace(0.0, 0.9, 90, endpoint=False), 1.0 - np.geomspace(0.1, 1e-4, 60), [1.0]])
    light = (CHOKED / ratio) ** 2  # of the gas's density over the liquid's
    mixed = (1.0 - gas) + gas * light
    liquid = (1.0 - gas) / np.sqrt(mixed)
    volume = liquid + ratio * gas * np.sqrt(light / mixed)
    return np.maximum.accumulate(volume), liquid


def liquid_of_mixture(volume: Array, ratio: float) -> Array:
    """Return the liquid's flow where the mixture's volume flow is so much of the liquid's own. (N,)."""
    grown, liquid = _mixture(round(max(ratio, LEAST_RATIO), 1))
    return np.asarray(np.interp(volume, grown, liquid))


def earlier_if_mixed(share: Array, step: float, ratio: float) -> float:
    """Return how much earlier all liquid would have gone if it left as a mixture, for one course of the volume flow.

    Parameters
    ----------
    share : (N,) array
        What the volume flow has grown by, over its growth from liquid alone to gas alone, from 0 to 1.
    step : float
        Between its values. [s]
    ratio : float
        Volume flow of gas alone over that of liquid alone.
    """
    k = max(ratio, LEAST_RATIO)
    liquid = liquid_of_mixture(1.0 + (k - 1.0) * share, k)
    return float(np.sum((1.0 - share) - liquid)) * step


@lru_cache(maxsize=8)
def _shifts(shape: str) -> tuple[Array, Array]:
    """Return logarithms of ratios, and `earlier_if_mixed` of a transition of width one."""
    x = np.linspace(-6.0, 8.0, 1401)
    share = share_of(x, 1.0, shape)
    ratios = np.geomspace(LEAST_RATIO, 40.0, 25)
    return np.log(ratios), np.array([earlier_if_mixed(share, float(x[1] - x[0]), float(k)) for k in ratios])


def shift_if_mixed(width: Array, shape: str, ratio: Array) -> Array:
    """Return how much earlier a mixture's liquid would have gone, for transitions of a shape. (N,) [s]."""
    known, shift = _shifts(shape)
    return np.asarray(width * np.interp(np.log(np.clip(ratio, LEAST_RATIO, 40.0)), known, shift))


def share_of(x: Array, width: float, shape: str) -> Array:
    """Return the share of a transition that is done, its centroid at zero."""
    if shape == EVEN:
        return np.asarray(np.clip(x / width + 0.5, 0.0, 1.0))
    fold = FOLD * width
    if shape == EARLY:
        return np.asarray(1.0 - np.exp(-np.maximum(x + fold, 0.0) / fold))
    return np.asarray(np.exp(np.minimum(x / fold - 1.0, 0.0)))


@lru_cache(maxsize=64)
def _lost(ratio: float) -> tuple[Array, Array]:
    share = np.linspace(0.02, 1.0, 50)
    part = np.linspace(0.0, 1.0, 101)
    loss = [float(np.mean(1.0 - liquid_of_mixture(1.0 + (ratio - 1.0) * s * part, ratio))) for s in share]
    return share, np.maximum(np.array(loss) / (0.5 * share), 1.0)


def liquid_lost_if_mixed(share: Array, ratio: float) -> Array:
    """Return how many times more liquid was missing if mixed with its gas, by the share that this grew to."""
    known, more = _lost(round(max(ratio, LEAST_RATIO), 1))
    return np.asarray(np.interp(share, known, more))
