"""Where a curve bends: a posterior over place, width and shape of one bend between two smooth curves.

No units of its own: ordinates come divided by their noise. The smooth part and the bend are fitted by least squares;
every place, width and shape shares the orthogonal basis of the smooth part, so that all cost little more than one.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Array, Mask

EVEN, LATE, EARLY = "even", "late", "early"
SMALL = 1e-9  # of the columns' squares, so that two alike have a solution
EDGE = 0.1  # of the posterior, at the first or last place
NEAR = 2.5  # widths before a bend from where on it is felt
FOLD = 0.4  # of a width, the time constant of bends that are not even: they are as wide from 10 to 90 %
MIXED = (0.0, 0.15, 0.75)  # share of a mixture's law in how liquid fades, each as likely; most tanks drain by a core
# The same by the shape of the volume flow, told by integrating both laws. Beside a core it nears the gas's as what is
# left does nothing: early. That of a mixture grows as one over the root of its liquid share, which ends at once: late;
# but a core that beats may look so.
MIXED_BY_SHAPE = {EARLY: (0.0, 0.0, 0.3), EVEN: MIXED, LATE: (0.0, 0.7, 1.2)}
FORM = {EARLY: 0.12, EVEN: 0.0, LATE: 0.12}  # of a width, by which a lopsided fading misplaces its centroid: judgement
LIKELY = {EARLY: 0.4, EVEN: 0.4, LATE: 0.2}  # before the record is seen, where gas comes: judgement


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Stretch:
    """A part of a course that one bend is looked for in. All arrays (B,)."""

    at: Array  # abscissa, seconds or like them
    value: Array
    weight: Array  # one over the noise of a value
    neighbours: float  # correlation of neighbouring noise [-]
    order: int  # of the polynomial before the bend


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidates:
    """Bends that are tried."""

    places: Array  # (P,)
    widths: tuple[float, ...]
    shapes: tuple[str, ...]
    after: Literal["square", "relax"]  # what follows a bend: curvature, or a hold that warms
    reheat: float = 0.5  # of "relax" [s]
    priors: tuple[tuple[float, float], ...] = ()  # of the change of slope, and of the curvature after: value and u
    growth: Array | None = None  # what a change of slope of one makes at each value of the stretch (B,); else one


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Trials:
    """All bends tried on one stretch. Arrays (C,)."""

    place: Array
    width: Array
    onset: Array  # where each bend begins
    cost: Array  # sum of squares
    before: Array  # slope just before, by the smooth curve carried forward
    after: Array  # slope just after, by the later curve carried back
    shape: NDArray[np.str_]  # of each bend
    freedom: int


def ramp(x: Array, width: float, shape: str) -> Array:
    """Return what a change of slope of one adds up to, its centroid at zero: even, or arriving late or early."""
    if width == 0.0:
        return np.asarray(np.maximum(x, 0.0))
    if shape == EVEN:
        u = np.clip(x / width + 0.5, 0.0, 1.0)
        return np.asarray(0.5 * width * u * u + np.maximum(x - 0.5 * width, 0.0))
    fold = FOLD * width
    if shape == EARLY:  # at once at first, the rest slowly
        since = np.maximum(x + fold, 0.0)
        return np.asarray(since - fold * (1.0 - np.exp(-since / fold)))
    return np.asarray(np.where(x < fold, fold * np.exp(np.minimum(x / fold - 1.0, 0.0)), x))


def grown(bends: Array, growth: Array | None) -> Array:
    """Return bends (B, C) whose change of slope itself changes along the stretch by ``growth`` (B,)."""
    if growth is None:
        return bends
    out = bends.copy()
    out[1:] -= bends[:-1]
    out[1:] *= 0.5 * (growth[1:] + growth[:-1])[:, None]
    return np.asarray(np.cumsum(out, axis=0))


def onset_of(width: float, shape: str) -> float:
    """Return where a bend begins, from its centroid."""
    return -{EVEN: 0.5, EARLY: FOLD, LATE: 2.0 * FOLD}[shape] * width


def whitened(column: Array, neighbours: float) -> Array:
    """Take from each row what its neighbour foretells of it. (B, ...)."""
    out = column.copy()
    out[1:] -= neighbours * column[:-1]
    out[1:] /= np.sqrt(1.0 - neighbours**2)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Basis:
    """The smooth part of a stretch, orthogonal and whitened."""

    Q: Array  # (B, M)
    R: Array  # (M, M)
    Qy: Array  # (M,)
    rest: Array  # (B,) what the smooth part leaves of the values
    scale: float  # of the abscissa in its powers

    def free(self, column: Array) -> Array:
        """Take the smooth part out of columns. (B, C)."""
        return np.asarray(column - self.Q @ (self.Q.T @ column))


def reduced(stretch: Stretch) -> Basis:
    """Return the smooth part of a stretch once for every bend tried on it."""
    scale = float(np.max(np.abs(stretch.at))) or 1.0
    smooth = np.vander(stretch.at / scale, stretch.order + 1, increasing=True) * stretch.weight[:, None]
    Q, R = np.linalg.qr(whitened(smooth, stretch.neighbours))
    y = whitened(stretch.value * stretch.weight, stretch.neighbours)
    return Basis(Q, R, Q.T @ y, y - Q @ (Q.T @ y), scale)


def tried(stretch: Stretch, candidates: Candidates) -> Trials:
    """Fit every bend of a set to a stretch."""
    places, basis = candidates.places, reduced(stretch)
    kinds = [(v, s) for v in candidates.widths for s in (candidates.shapes if v > 0.0 else (EVEN,))]
    # Before every bend its columns are zero: only rows from there on tell bends apart.
    first = int(np.searchsorted(stretch.at, places[0] - NEAR * max(candidates.widths)))
    near = slice(max(first - 2, 0), None)
    weight, rho = stretch.weight[near, None], stretch.neighbours
    away = stretch.at[near, None] - places[None, :]
    growth = None if candidates.growth is None else candidates.growth[near]
    bends = whitened(grown(np.hstack([ramp(away, v, s) for v, s in kinds]), growth) * weight, rho)
    tails = [np.tile(whitened(tail * weight, rho), len(kinds)) for tail in _tails(away, candidates)]
    beta, cost, smooth = _solved(basis, near, [bends, *tails], candidates.priors)
    place = np.tile(places, len(kinds))
    powers = np.arange(1, stretch.order + 1)[:, None]
    slope = np.sum(smooth[1:] * powers * (place / basis.scale) ** (powers - 1), axis=0) / basis.scale
    after = slope + beta[0]
    if candidates.after == "relax":
        after = after + beta[1] / candidates.reheat
    return Trials(
        place=place,
        width=np.repeat([v for v, _ in kinds], places.size),
        onset=place + np.repeat([onset_of(v, s) for v, s in kinds], places.size),
        cost=cost,
        before=slope,
        after=after,
        shape=np.repeat([s for _, s in kinds], places.size),
        freedom=stretch.at.size - stretch.order - 3 - len(tails),
    )


def _solved(
    basis: Basis, near: slice, columns: list[Array], priors: tuple[tuple[float, float], ...]
) -> tuple[Array, Array, Array]:
    """Return what the columns of each bend come to, (K, C), the sums of squares, (C,), and the smooth part, (M, C)."""
    # Products this narrow cost less in one thread than several threads cost to start.
    own = [np.einsum("bm,bc->mc", basis.Q[near], column) for column in columns]
    pairs = list(zip(columns, own, strict=True))
    gram = np.array([[_products(a, b) - _products(p, q) for b, q in pairs] for a, p in pairs])
    right = np.array([np.einsum("bc,b->c", column, basis.rest[near]) for column in columns])
    told = 0.0
    for k, (value, u) in enumerate(priors):
        gram[k, k] += 1.0 / u**2
        right[k] += value / u**2
        told += (value / u) ** 2
    gram += SMALL * np.einsum("iic->c", gram) * np.eye(len(columns))[:, :, None]
    beta = np.linalg.solve(gram.transpose(2, 0, 1), right.T[:, :, None])[:, :, 0].T
    cost = float(basis.rest @ basis.rest) + told - np.sum(beta * right, axis=0)
    smooth = np.linalg.solve(basis.R, basis.Qy[:, None] - np.einsum("kc,kmc->mc", beta, np.array(own)))
    return beta, np.maximum(cost, 0.0), smooth


def _products(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("bc,bc->c", a, b))


def _tails(away: Array, candidates: Candidates) -> list[Array]:
    since = np.maximum(away, 0.0)
    if candidates.after == "relax":
        return [1.0 - np.exp(-since / candidates.reheat)]
    return [since**2]


@dataclass(frozen=True, slots=True)
class Posterior:
    """Mean and deviation of the place over all bends that are allowed."""

    place: float
    deviation: float
    width: float
    onset: float
    misfit: float  # least sum of squares over its degrees of freedom
    on_edge: bool  # the places tried do not hold it


def posterior(trials: Trials, allowed: Mask, shifts: Array | None = None) -> Posterior | None:
    """Average over all bends allowed, by their likelihood; noise beyond what was expected widens it.

    Parameters
    ----------
    shifts : (C,) array, optional
        How much earlier each bend's liquid would have ended as a mixture.
    """
    if not allowed.any():
        return None
    cost = np.where(allowed, trials.cost, np.inf)
    least = float(cost.min())
    misfit = least / max(trials.freedom, 1)
    weight = np.exp(-0.5 * (cost - least) / max(misfit, 1.0))
    place, more = trials.place, np.zeros(cost.size)
    if shifts is not None:  # each bend stands for several, spread by what it may hide
        weight *= _by_shape(trials.shape, LIKELY)
        place = place - _by_shape(trials.shape, {s: float(np.mean(m)) for s, m in MIXED_BY_SHAPE.items()}) * shifts
        more = _by_shape(trials.shape, {s: float(np.var(m)) for s, m in MIXED_BY_SHAPE.items()}) * shifts**2
        more += (_by_shape(trials.shape, FORM) * trials.width) ** 2
    weight /= weight.sum()
    mean = float(weight @ place)
    low, high = float(trials.place.min()), float(trials.place.max())
    step = (high - low) / max(np.unique(trials.place).size - 1, 1)
    on_edge = (trials.place < low + 1.5 * step) | (trials.place > high - 1.5 * step)
    return Posterior(
        place=mean,
        deviation=float(np.sqrt(weight @ ((place - mean) ** 2 + more) + step**2 / 12.0)),
        width=float(weight @ trials.width),
        onset=float(weight @ trials.onset),
        misfit=misfit,
        on_edge=float(weight[on_edge].sum()) > EDGE,
    )


def _by_shape(shape: NDArray[np.str_], value: dict[str, float]) -> Array:
    """Return a value of each bend's shape. (C,)."""
    return np.select([shape == one for one in value], list(value.values()))
