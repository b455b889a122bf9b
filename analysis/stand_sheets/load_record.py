"""A load of propellant by the stand's cell, from the marks of a filling, and what boiled off while it stood. SI."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.load_by_cell import (
    BoilOff,
    Load,
    NightRecord,
    Path,
    Said,
    Zeros,
    against_containers,
    boil_off,
    load_by_cell,
)
from standbook.analysis.calibration.pull_fit import fit_of_pull
from standbook.analysis.physics.load_cell import weight_sign
from standbook.analysis.stand_sheets.check_steps import UNFELT
from standbook.daq.arrays import Array
from standbook.daq.bench.step_taking import Step
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.errors import DataError
from standbook.daq.stand_sheets.pull_file import PullFile

EMPTY, FILLED, WAITED = "empty", "filled", "waited"
HOSES_U = 1.5  # N, that hoses, chill-down and frost push by; judgement
MEAN_OF = 5.0  # s before a mark


@dataclass(frozen=True, slots=True, kw_only=True)
class FilledStand:
    """Who was filled, and how its cell is read."""

    plan: Plan
    stand: Stand
    calibration: Calibration  # of the cell
    pull: PullFile | None  # newest of the cell


@dataclass(frozen=True, slots=True, kw_only=True)
class Filling:
    """What the cell says of a filling."""

    by_cell: Load
    containers: Load
    says: Said
    boiling: BoilOff | None
    sentences: tuple[str, ...]


def load_steps(calibration: Calibration) -> tuple[Step, ...]:
    """Return the steps of a filling, by the calibration of its cell."""
    tag = calibration.tag
    ends = calibration.signal(np.array([0.0, UNFELT * calibration.zero_uncertainty]))
    unfelt = {tag: abs(float(ends[1] - ends[0]))}
    return (
        Step(name=EMPTY, asks="tanks empty, hoses as they will be, nobody on the stand", tags=(tag,), unfelt=unfelt),
        Step(name=FILLED, asks="filled and vented, quiet", tags=(tag,), unfelt=unfelt),
        Step(name=WAITED, asks="ten minutes later or more, vented all the time; or N", tags=(tag,), stands=False),
    )


def sign_of_load(stand: Stand) -> int:
    """Return which way a load moves the cell, +1 or -1.

    Raises
    ------
    DataError
        The tanks do not hang on it.
    """
    sign = -weight_sign(stand.nozzle, stand.tanks_on_cell)
    if sign == 0:
        raise DataError(
            f"stand {stand.name}: nozzle {stand.nozzle}, tanks_on_cell {str(stand.tanks_on_cell).lower()}: a load does "
            "not press on the cell, so that only the containers tell it"
        )
    return sign


def filling(
    of: FilledStand, time: Array, signal: Array, marks: Mapping[str, float], night: NightRecord | None
) -> Filling:
    """Work a filling out.

    Parameters
    ----------
    of : FilledStand
        Plan, stand and cell.
    time, signal : (N,) array
        Instants [s]; of the cell, in its signal unit.
    marks : mapping of step to float
        When each was taken, on the same clock. [s]
    night : NightRecord or None
        How the unloaded cell wanders; without it no rate is said.

    Raises
    ------
    DataError
        Empty or filled was not taken, or the tanks do not hang on the cell.
    """
    sign, c = sign_of_load(of.stand), of.calibration
    if not {EMPTY, FILLED} <= set(marks):
        raise DataError("the filling needs both marks, empty and filled; the recording is kept")
    reading = sign * c.si_reading(signal)
    empty, filled = (_mean(time, reading, marks[name]) for name in (EMPTY, FILLED))
    path, gravity = load_path_of(of), of.plan.site.gravity.value
    zeros = Zeros(reading=empty, moved_u=c.zero_uncertainty * c.scale, hoses_u=HOSES_U)
    cell = load_by_cell(filled, zeros, path, pressure=0.0, gravity=gravity)
    loads = [tank.liquid_load for tank in of.plan.tank]
    containers = Load(mass=sum(load.value for load in loads), u=math.hypot(*(load.u for load in loads)))
    says, words = against_containers(cell, containers)
    boiling = None
    if WAITED in marks and night is not None:
        held = (time >= marks[FILLED]) & (time <= marks[WAITED])
        boiling = boil_off(time[held], reading[held], night, path=path, gravity=gravity)
    said = [
        f"By the cell {cell.mass:.2f} +/- {cell.u:.2f} kg, by containers {containers.mass:.3f} +/- "
        f"{containers.u:.3f} kg, which lead: {words}."
    ]
    if boiling is not None:
        said.append(boiling.sentence[0].upper() + boiling.sentence[1:] + ".")
    elif WAITED in marks:
        said.append("Boil-off: cannot tell without a record of the unloaded cell; give one with --night.")
    return Filling(by_cell=cell, containers=containers, says=says, boiling=boiling, sentences=tuple(said))


def load_path_of(of: FilledStand) -> Path:
    """Return what is between load and cell, lines empty: by the pull, else as the calibration states it."""
    c = of.calibration
    if of.pull is not None and of.pull.signal_unit == c.signal_unit:
        fit, empty = fit_of_pull(of.pull, c), np.zeros(1)
        u = math.hypot(float(fit.factor_u(empty)[0]), c.run_scatter())
        return Path(factor=(float(fit.factor(empty)[0]), u), line_load=fit.of("line_load")[0])
    stated = c.stand_interaction
    u = math.hypot(stated.factor.u, stated.factor.value * c.slope_u())
    return Path(factor=(stated.factor.value, u), line_load=stated.line_load.value)


def _mean(time: Array, reading: Array, end: float) -> float:
    inside = (time > end - MEAN_OF) & (time <= end)
    if not inside.any():
        raise DataError(f"the cell has no rows in the {MEAN_OF:g} s before a mark")
    return float(np.mean(reading[inside]))
