r"""Fit damped sines with an offset and a slope to a free decay.

    y = b0 + b1 t + sum A exp(-zeta w t) cos(w sqrt(1 - zeta^2) t + phase)

Start values come from a matrix pencil, the fit is least squares with the linear terms solved inside (variable
projection). A further sine is added while an F-test asks for it. Plain arrays; any unit; nothing is filtered.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc

from standbook.analysis.signal.least_squares import LeastSquares, nonlinear_least_squares
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

CHANCE = 0.01  # that noise alone is given one more sine, all frequencies that were looked through counted
NEARLY = 10.0  # times that chance, before the search has brought a start to its best
ORDER = 8  # of the pencil
PER_PERIOD = 10  # samples, that the pencil works on
LONGEST_PENCIL = 400  # samples; a decay is over by then
MOST_SINES = 4
ROUNDING = 1e-10  # of a record: what is left below it is arithmetic
MOST_EVALUATIONS = 200  # of a search; from a good start a few are enough
LEAST_ZETA, MOST_ZETA = -0.02, 0.6  # beyond it is no ringing; hum does not decay at all
LEAST_PERIODS, LEAST_SAMPLES = 3.0, 40
LOWEST_BIN = 2  # of a spectrum; below lies what offset and slope leave


@dataclass(frozen=True, slots=True, kw_only=True)
class Sine:
    """One damped sine, amplitude at the first instant."""

    frequency: float  # undamped, w / 2 pi [Hz]
    frequency_u: float
    zeta: float  # [-]
    zeta_u: float
    amplitude: float

    @property
    def decays(self) -> bool:
        """Tell whether it dies away: hum from the mains does not."""
        return self.zeta > 2.0 * self.zeta_u


@dataclass(frozen=True, slots=True, kw_only=True)
class Decay:
    """Damped sines that make a free decay, largest first."""

    sines: tuple[Sine, ...]
    deviation: float  # of a sample about the fit
    residual: Array  # (N,)
    converged: bool


def fit_decay(time: Array, value: Array) -> Decay:
    r"""Fit as many damped sines as the noise allows to be told.

    Parameters
    ----------
    time : (N,) array
        Evenly spaced, but for rows that were lost. [s]
    value : (N,) array
        Finite; any unit.

    Raises
    ------
    DataError
        Too short, or nothing that rings.

    Notes
    -----
    One more sine is four more terms, and the best of all frequencies is tried: the F-test's chance is divided by how
    many there are. The covariance of w and zeta is that of all terms together, residuals taken as white noise.
    Derived.
    """
    step = _step(time, value)
    x = time - time[0]
    rest = value - _projected(x, np.empty(0), value)[1]
    poles = _pencil(_evenly(x, rest), step)
    found: LeastSquares | None = None
    for count in range(1, MOST_SINES + 1):
        so_far = np.empty(0) if found is None else found.value
        starts = [np.ravel(poles[:count])] if len(poles) >= count else []
        if so_far.size == 2 * (count - 1):
            starts += [np.append(so_far, one) for one in _candidates(_evenly(x, rest), step)]
        more = 2 * count - so_far.size
        fitted = _best(x, value, [one for one in starts if _promises(x, value, rest, one, more)])
        if fitted is not None and _wanted(rest, fitted.residual, fitted.value.size, more):
            found, rest = fitted, fitted.residual
            if np.linalg.norm(rest) < ROUNDING * np.linalg.norm(value):
                break
        elif count > so_far.size // 2 + 1:
            break  # two close sines may need each other: one step more was tried
    if found is None:
        raise DataError("nothing in the record rings above its noise; a harder tap, or the right channel")
    return _decay(x, value, found)


def _step(time: Array, value: Array) -> float:
    if value.size < LEAST_SAMPLES or not np.isfinite(value).all():
        raise DataError(f"{value.size} samples of a decay, {int(np.isfinite(value).sum())} finite; all, and 40, needed")
    return float(time[-1] - time[0]) / (time.size - 1)


def _evenly(x: Array, rest: Array) -> Array:
    """Bring what start values are taken from to equal steps; the fit itself takes rows where they are."""
    return np.asarray(np.interp(np.linspace(0.0, x[-1], x.size), x, rest))


def _basis(x: Array, poles: Array) -> Array:
    """Return offset, slope and both phases of each sine. (N, 2 + 2 M); poles hold w and zeta by turns."""
    columns = [np.ones_like(x), x / x[-1]]
    for w, zeta in poles.reshape(-1, 2):
        envelope = np.exp(-zeta * w * x)
        turn = w * math.sqrt(1.0 - zeta**2) * x
        columns += [envelope * np.cos(turn), envelope * np.sin(turn)]
    return np.column_stack(columns)


def _projected(x: Array, poles: Array, value: Array) -> tuple[Array, Array, Array]:
    """Return the linear terms, the model with them, and an orthonormal basis. (2 + 2 M,), (N,), (N, 2 + 2 M)."""
    q, r = np.linalg.qr(_basis(x, poles))
    along = q.T @ value
    return np.linalg.lstsq(r, along, rcond=None)[0], q @ along, q


def _best(x: Array, value: Array, starts: list[Array]) -> LeastSquares | None:
    """Return the best usable fit of those that the starts lead to."""
    best: LeastSquares | None = None
    for start in starts:
        fitted = _search(x, value, start)
        usable = fitted.converged and fitted.covariance_usable
        if usable and (best is None or fitted.residual @ fitted.residual < best.residual @ best.residual):
            best = fitted
    return best


def _search(x: Array, value: Array, start: Array) -> LeastSquares:
    """Search the poles, linear terms solved at every step.

    The slope of the projected residual is -(I - Q Q') dB c, Kaufman's form: what it leaves out vanishes with the
    residual, and its J'J is just the inverse of the poles' block of the whole covariance.
    """

    def residual(poles: Array) -> Array:
        return value - _projected(x, poles, value)[1]

    def jacobian(poles: Array) -> Array:
        terms, _, q = _projected(x, poles, value)
        slope = _slope(x, poles, terms)
        return np.asarray(q @ (q.T @ slope) - slope)

    low, high = _bounds(x, start)
    return nonlinear_least_squares(residual, jacobian, start, lower=low, upper=high, evaluations=MOST_EVALUATIONS)


def _slope(x: Array, poles: Array, terms: Array) -> Array:
    """Return the derivatives of the model by w and zeta of each sine, linear terms held. (N, 2 M)."""
    columns = []
    for k, (w, zeta) in enumerate(poles.reshape(-1, 2)):
        a, b = terms[2 + 2 * k], terms[3 + 2 * k]
        root = math.sqrt(1.0 - zeta**2)
        envelope = np.exp(-zeta * w * x)
        cosine, sine = envelope * np.cos(w * root * x), envelope * np.sin(w * root * x)
        ring, turned = a * cosine + b * sine, b * cosine - a * sine
        columns += [x * (root * turned - zeta * ring), -w * x * (ring + zeta / root * turned)]
    return np.column_stack(columns)


def _bounds(x: Array, start: Array) -> tuple[Array, Array]:
    step = float(x[1] - x[0])
    low = np.tile([2.0 * math.pi / x[-1], LEAST_ZETA], start.size // 2)
    high = np.tile([math.pi / step, MOST_ZETA], start.size // 2)
    return low, high


def _promises(x: Array, value: Array, rest: Array, start: Array, poles: int) -> bool:
    """Tell whether sines more are worth a search: their start alone must take nearly enough of what is left."""
    return _wanted(rest, value - _projected(x, start, value)[1], start.size, poles, chance=NEARLY * CHANCE)


def _wanted(rest: Array, left: Array, values: int, poles: int, *, chance: float = CHANCE) -> bool:
    """Tell by an F-test whether sines more, ``poles`` values of theirs, are more than the best of many frequencies."""
    terms = 2 * poles
    freedom = rest.size - 2 - 2 * values
    remains = float(left @ left)
    if remains == 0.0:
        return True
    ratio = (float(rest @ rest) - remains) / terms / (remains / freedom)
    tried = (0.5 * rest.size) ** (poles / 2.0)  # frequencies that are independent, for each sine
    return bool(fdtrc(terms, freedom, ratio) < chance / tried)


def highest_line(rest: Array, step: float) -> float:
    """Return the frequency of the highest peak of a spectrum, zero where there is none. [Hz].

    Parameters
    ----------
    rest : (N,) array
        Freed of offset and slope. No window is laid over it: a decay is largest where a window begins with nothing.
    step : float
        Between samples. [s]
    """
    size = 1 << (2 * rest.size - 1).bit_length()
    height = np.abs(np.fft.rfft(rest, size))
    frequency = np.fft.rfftfreq(size, step)
    height[frequency < LOWEST_BIN / (rest.size * step)] = 0.0
    return float(frequency[int(np.argmax(height))])


def _candidates(rest: Array, step: float) -> list[Array]:
    """Return w [rad/s] and zeta to start one more sine from: where a pencil sees one, and at the highest peak."""
    peak = highest_line(rest, step)
    if peak == 0.0:
        return []
    return [*_pencil(rest, step)[:1], np.array([2.0 * math.pi * peak, 0.02])]


def _pencil(rest: Array, step: float) -> list[Array]:
    """Return w [rad/s] and zeta of the poles that a matrix pencil sees, most energy first.

    Means over equal groups of samples keep every pole of a sum of damped sines: ten samples a period are enough.
    """
    peak = highest_line(rest, step)
    group = max(1, int(1.0 / (PER_PERIOD * max(peak, 1e-9) * step)))
    y = rest[: rest.size // group * group].reshape(-1, group).mean(axis=1)[:LONGEST_PENCIL]
    if peak == 0.0 or y.size < 3 * ORDER:
        return []
    hankel = np.lib.stride_tricks.sliding_window_view(y, y.size // 3 + 1)
    Vt = np.linalg.svd(hankel, full_matrices=False)[2][:ORDER]
    pole = np.linalg.eigvals(np.linalg.pinv(Vt[:, :-1].T) @ Vt[:, 1:].T)
    pole = pole[(np.abs(pole) > 1e-6) & (pole.imag > 1e-6)]
    rate = np.log(pole) / (group * step)
    within = (-rate.real / np.abs(rate) > LEAST_ZETA) & (-rate.real / np.abs(rate) < MOST_ZETA)
    rate = rate[within]
    course = np.exp(np.outer(np.arange(y.size) * group * step, rate))
    terms = np.linalg.lstsq(np.column_stack([course.real, course.imag]), y, rcond=None)[0].reshape(2, -1)
    energy = np.sum(terms**2, axis=0) * np.sum(np.abs(course) ** 2, axis=0)
    return [np.array([abs(rate[k]), -rate[k].real / abs(rate[k])]) for k in np.argsort(-energy)]


def _decay(x: Array, value: Array, found: LeastSquares) -> Decay:
    freedom = value.size - 2 - 2 * found.value.size
    deviation = math.sqrt(float(found.residual @ found.residual) / freedom)
    u = deviation * np.sqrt(np.diag(found.covariance))
    terms = _projected(x, found.value, value)[0]
    sines = [
        Sine(
            frequency=float(found.value[2 * k] / (2.0 * math.pi)),
            frequency_u=float(u[2 * k] / (2.0 * math.pi)),
            zeta=float(found.value[2 * k + 1]),
            zeta_u=float(u[2 * k + 1]),
            amplitude=math.hypot(terms[2 + 2 * k], terms[3 + 2 * k]),
        )
        for k in range(found.value.size // 2)
    ]
    sines.sort(key=lambda sine: -sine.amplitude)
    return Decay(sines=tuple(sines), deviation=deviation, residual=found.residual, converged=found.converged)
