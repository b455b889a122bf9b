r"""Make a short thrust table for flight simulation: few rows, linear between them, impulse and its centre kept.

Knots of a piecewise-linear function are fitted to all samples by least squares, with

.. math:: \int F\,dt = I, \qquad \int F\,t\,dt = I\,t_c, \qquad F(t_0) = F(t_n) = 0,

so that the stand's ringing goes out and the impulse stays. Taking every n-th sample instead loses per cents of it.
"""

import numpy as np

from standbook.analysis.export.csv_files import csv_bytes, metadata
from standbook.analysis.export.shown_columns import shown
from standbook.analysis.opened_run import Run
from standbook.analysis.results.results import ImpulseResult
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config.measurands import THRUST
from standbook.daq.display_units import Chosen
from standbook.daq.errors import DataError, UsageError

FEWEST, MOST = 8, 500
AT_ENDS = 0.2  # share of the rows about the rise, and about the fall
ABOUT_RISE, ABOUT_FALL = (-0.03, 0.40), (-0.30, 0.15)  # s beside the 10 % instants
ROUNDS = 20  # of setting knots below zero to it


def thrust_table_csv(run: Run, *, rows: int, vacuum: bool, chosen: Chosen) -> tuple[bytes, bytes]:
    """Write the table and its metadata; a run that gives only a lower bound says so in the column's name.

    Parameters
    ----------
    run : Run
        An analysed firing.
    rows : int
        At most.
    vacuum : bool
        Referred to vacuum instead of site ambient.
    chosen : mapping of dimension to unit
        Of thrust and mass in the table; the metadata's sums stay in N*s and kg.

    Raises
    ------
    DataError
        The run has no impulse.
    """
    if not FEWEST <= rows <= MOST:
        raise UsageError(f"--rows {rows}: a thrust table has {FEWEST} to {MOST}")
    impulse = run.results.impulse_vacuum if vacuum else run.results.impulse
    if impulse is None or run.results.impulse is None:
        raise DataError(f"{run.folder}: has no impulse, so no thrust table; see its findings")
    record, burn = run.integrated_thrust
    series = run.thrust()
    time, thrust = np.asarray(series.index, dtype=float), series.to_numpy(dtype=float)
    if vacuum:
        thrust = thrust + _air(time, burn, impulse.value - run.results.impulse.value)
    knots = knots_of(burn, rows)
    level = fitted(time, np.asarray(thrust, dtype=np.float64), knots, impulse=impulse.value)
    mass, aboard = _mass(run, record, knots)
    (shown_level, force), (shown_mass, unit) = shown(level, "N", chosen), shown(mass, "kg", chosen)
    name = f"{THRUST}, incomplete" if impulse.lower_bound_only else THRUST
    titles = {
        "time [s]": "after T-0",
        f"{name} [{force}]": "linear between rows",
        f"propellant mass [{unit}]": "both liquids, aboard",
    }
    table = csv_bytes(tuple(titles), [knots, shown_level, shown_mass])
    return table, metadata(run, titles, _header(run, impulse, burn, aboard, vacuum=vacuum))


def knots_of(burn: Burn, rows: int) -> Array:
    """Place rows from T-0 to the end of the thrust, denser where it rises and falls. (<= rows,) [s], rising."""
    begin, end = min(0.0, burn.thrust_begin), burn.thrust_end
    start, stop = burn.span
    each = max(2, round(AT_ENDS * rows))
    rise = np.linspace(max(begin, start + ABOUT_RISE[0]), start + ABOUT_RISE[1], each)
    fall = np.linspace(stop + ABOUT_FALL[0], min(end, stop + ABOUT_FALL[1]), each)
    between = np.linspace(start + ABOUT_RISE[1], stop + ABOUT_FALL[0], rows - 2 * each - 2 + 2)[1:-1]
    return np.asarray(np.unique(np.concatenate(([begin], rise, between, fall, [end]))))


def fitted(time: Array, thrust: Array, knots: Array, *, impulse: float) -> Array:
    """Fit the knots' values.

    Parameters
    ----------
    time, thrust : (N,) array
        All samples of the impulse window, [s] and [N].
    knots : (K,) array
        Instants of the rows. [s]
    impulse : float
        That the table integrates to; the centre is that of the samples. [N*s]

    Returns
    -------
    (K,) array
        Thrust at the knots, first and last zero, none negative. [N]
    """
    centre = float(np.trapezoid(thrust * time, time) / np.trapezoid(thrust, time))
    weight = np.gradient(time)
    inside = (time >= knots[0]) & (time <= knots[-1])
    hats = np.array([np.interp(time[inside], knots, unit) for unit in np.eye(knots.size)]).T
    first, second = _moments(knots)
    free = np.ones(knots.size, dtype=bool)
    free[[0, -1]] = False
    value = np.zeros(knots.size)
    for _ in range(ROUNDS):
        basis, w = hats[:, free], weight[inside, None]
        normal = basis.T @ (w * basis)
        constraints = np.array([first[free], second[free]])
        system = np.block([[normal, constraints.T], [constraints, np.zeros((2, 2))]])
        right = np.concatenate((basis.T @ (w[:, 0] * thrust[inside]), [impulse, impulse * centre]))
        value = np.zeros(knots.size)
        value[free] = np.linalg.lstsq(system, right, rcond=None)[0][: int(free.sum())]
        if not np.any(value < 0.0):
            break
        free &= value >= 0.0
    return value


def _moments(knots: Array) -> tuple[Array, Array]:
    """Return what each knot's hat adds to the integral and to the first moment. (K,), (K,)."""
    first, second = np.zeros(knots.size), np.zeros(knots.size)
    for k, length in enumerate(np.diff(knots)):
        a, b = knots[k], knots[k + 1]
        first[k : k + 2] += 0.5 * length
        second[k] += length * (2.0 * a + b) / 6.0
        second[k + 1] += length * (a + 2.0 * b) / 6.0
    return first, second


def _air(time: Array, burn: Burn, impulse: float) -> Array:
    """Return what the air takes from the thrust while the nozzle is full, in all as much as the vacuum adds. [N]."""
    start, stop = burn.span
    full = ((time >= start) & (time <= stop)).astype(float)
    return np.asarray(full * impulse / float(np.trapezoid(full, time)))


def _mass(run: Run, record: ThrustRecord, knots: Array) -> tuple[Array, dict[str, float]]:
    """Return propellant aboard at the knots, never rising [kg]; and loaded, expelled and left."""
    loaded = sum(tank.liquid_load.value for tank in run.dataset.plan.tank)
    found = run.results.weight_correction
    gone = found.expelled_mass.value if found is not None and found.expelled_mass is not None else loaded
    share = np.interp(knots, record.time, record.zero.share)
    mass = np.minimum.accumulate(loaded - gone * share)
    mass[-1] = loaded - gone
    return mass, {"loaded [kg]": loaded, "expelled [kg]": gone, "left aboard [kg]": loaded - gone}


def _header(
    run: Run, impulse: ImpulseResult, burn: Burn, aboard: dict[str, float], *, vacuum: bool
) -> dict[str, object]:
    return {
        "referred to": "vacuum" if vacuum else "site ambient pressure",
        "impulse [N*s]": impulse.value,
        "expanded uncertainty [N*s]": impulse.expanded,
        "most that checks did not exclude [N*s]": impulse.unseen + impulse.allowance,
        "coverage factor": impulse.coverage_factor,
        "lower bound only": impulse.lower_bound_only,
        "time zero": "T-0, the fire command",
        "burn time [s]": burn.span[1] - burn.span[0],
        "burn time is": "between 10 % of the greatest mean thrust, rising and falling",
        "propellant": aboard,
        "interpolation": "linear between rows",
        "filter": "none; knots fitted to all samples, impulse and its centre kept",
        "firings behind it": 1,
        "is": "one run, not a type",
    }
