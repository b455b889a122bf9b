"""The rows of simulated boards while a crew checks the stand in place, with faults of the stand when asked for."""

import dataclasses
import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import LineEdgeName
from standbook.daq.config.stand import Stand
from standbook.daq.errors import UsageError
from standbook.daq.quantity import factor
from standbook.daq.rehearsal.played_levels import APPROACH, HOLD, NOISE, ROWS_A_SECOND, TICK_HZ, played_board
from standbook.daq.rehearsal.script import PlayedEdge, Table
from standbook.daq.wire.hello import WireLine

SWITCHED_AFTER = 2.0  # s
Readings = dict[str, NDArray[np.float64]]  # by tag, over all rows, in the reading unit of the calibration


@dataclass(frozen=True, slots=True)
class Stage:
    """What the inputs read while one step is done."""

    readings: Mapping[str, float]  # by tag, in the reading unit of its calibration
    supply: float = 1.0  # of the usual voltage
    edge: LineEdgeName | None = None  # of a line that is switched once, and back
    seconds: float = HOLD  # that it is held for


@dataclass(frozen=True, slots=True)
class StandFault:
    """One thing that is wrong with a stand."""

    words: str
    change: Callable[[Stand, Mapping[str, Calibration], Readings], None]
    no_edge: bool = False  # the line that is T-0 is not connected
    supply_unseen: bool = False  # the sensors' supply sags where it is not measured
    angle: str = ""  # that an inclinometer then shows between thrust line and cell, and its u [deg]


def played_checks(
    stand: Stand, calibrations: Mapping[str, Calibration], stages: Sequence[Stage], *, seed: int, fault: str = ""
) -> tuple[Table, ...]:
    """Return what the boards of a stand say while a check is done, one table a board.

    Parameters
    ----------
    stand : Stand
        Its inputs are played.
    calibrations : mapping of tag to Calibration
        Of all inputs that the stages name, and of their supplies.
    stages : sequence of Stage
        In their order.
    seed : int
        Of noise.
    fault : str
        One of ``STAND_FAULTS``; none where it is empty.

    Raises
    ------
    UsageError
        The fault is not known.
    """
    if fault and fault not in STAND_FAULTS:
        raise UsageError(f"--fault {fault}: no fault of a stand is called so; known are {', '.join(STAND_FAULTS)}")
    random = np.random.default_rng([seed, 11])
    tags = sorted({tag for stage in stages for tag in stage.readings})
    readings = {tag: _held(stages, [stage.readings[tag] for stage in stages]) for tag in tags}
    supply = _held(stages, [stage.supply for stage in stages])
    if fault:
        STAND_FAULTS[fault].change(stand, calibrations, readings)
    for tag, values in readings.items():
        span = calibrations[tag].highest - calibrations[tag].lowest
        readings[tag] = values + span * NOISE * random.standard_normal(values.size)
    boards = sorted({stand.input_tagged(tag).device for tag in tags})
    seen = 1.0 if fault and STAND_FAULTS[fault].supply_unseen else supply
    played = []
    for board in boards:
        own = {tag: values for tag, values in readings.items() if stand.input_tagged(tag).device == board}
        if fault and STAND_FAULTS[fault].supply_unseen:
            own = _sagging(stand, calibrations, own, supply)
        table = played_board(stand, board, calibrations, own, random, supply_share=seen)
        played.append(table if fault and STAND_FAULTS[fault].no_edge else _switched(table, stages))
    return tuple(played)


def _switched(table: Table, stages: Sequence[Stage]) -> Table:
    """Switch the lines of a board that the stages name, soon after each begins, for half a second."""
    edges, lines = [], []
    for begins, stage in zip(beginnings(stages), stages, strict=True):
        if stage.edge is not None and stage.edge.device == table.device:
            at, on = round((begins + SWITCHED_AFTER) * TICK_HZ), int(stage.edge.rising)
            lines.append(WireLine(0, stage.edge.line))
            edges += [PlayedEdge(at, 0, on), PlayedEdge(at + TICK_HZ // 2, 0, 1 - on)]
    start = 0 if not edges or edges[0].level else 1
    return dataclasses.replace(table, lines=tuple(lines), edges=tuple(edges), start_levels=start)


def beginnings(stages: Sequence[Stage]) -> list[float]:
    """Return when each stage begins, after the first row. [s]."""
    return [0.0, *itertools.accumulate(stage.seconds for stage in stages[:-1])]


def _held(stages: Sequence[Stage], values: Sequence[float]) -> NDArray[np.float64]:
    """Approach each value in turn and hold it as long as its stage lasts. (N,)."""
    parts = []
    for stage, a, b in zip(stages, [values[0], *values[:-1]], values, strict=True):
        time = np.arange(round(stage.seconds * ROWS_A_SECOND)) / ROWS_A_SECOND
        parts.append(a + (b - a) * (1.0 - np.exp(-time / APPROACH)))
    return np.concatenate(parts)


def _sagging(
    stand: Stand, calibrations: Mapping[str, Calibration], readings: Readings, supply: NDArray[np.float64]
) -> Readings:
    """Scale the signals of ratiometric inputs by a supply that nobody measures."""
    found = dict(readings)
    for tag, values in readings.items():
        if stand.input_tagged(tag).sensor_kind.follows_supply:
            c = calibrations[tag]
            found[tag] = c.reading(c.signal(values) * supply)
    return found


def _tanks(stand: Stand, readings: Readings) -> list[list[str]]:
    """Return the tank pressures that are played, tank by tank."""
    items = [i for i in stand.input if i.measures == measurands.TANK_PRESSURE and i.tag in readings]
    return [[i.tag for i in items if i.tank == tank] for tank in dict.fromkeys(i.tank for i in items)]


def _swap(stand: Stand, _calibrations: Mapping[str, Calibration], readings: Readings) -> None:
    one, other = (tags[0] for tags in _tanks(stand, readings)[:2])
    readings[one], readings[other] = readings[other], readings[one]


def _scale(share: float, which: Callable[[Stand, Readings], Sequence[str]]) -> Callable[..., None]:
    def change(stand: Stand, _calibrations: Mapping[str, Calibration], readings: Readings) -> None:
        for tag in which(stand, readings):
            readings[tag] = readings[tag] * share

    return change


def _cells(stand: Stand, readings: Readings) -> list[str]:
    return [i.tag for i in stand.input if i.measures == measurands.THRUST and i.tag in readings]


def _first_tank(stand: Stand, readings: Readings) -> list[str]:
    return _tanks(stand, readings)[0][:1]


def _shift(by: float) -> Callable[..., None]:
    def change(stand: Stand, _calibrations: Mapping[str, Calibration], readings: Readings) -> None:
        (tag,) = _first_tank(stand, readings)
        readings[tag] = readings[tag] + by

    return change


def _dead_twin(stand: Stand, _calibrations: Mapping[str, Calibration], readings: Readings) -> None:
    tag = _tanks(stand, readings)[0][1]
    readings[tag] = np.full_like(readings[tag], readings[tag][0])


def _connected(stand: Stand, _calibrations: Mapping[str, Calibration], readings: Readings) -> None:
    one, other = _tanks(stand, readings)[:2]
    both = np.maximum(readings[one[0]], readings[other[0]])
    for tag in (*one, *other):
        readings[tag] = both.copy()


def _bend(stand: Stand, _calibrations: Mapping[str, Calibration], readings: Readings) -> None:
    (tag,) = _first_tank(stand, readings)
    readings[tag] = readings[tag] + np.interp(readings[tag], (0.0, 3.0, 30.0), (0.0, 1.5, 0.0))


def _unchanged(_stand: Stand, _calibrations: Mapping[str, Calibration], _readings: Readings) -> None:
    return


def stand_faults_in_words() -> tuple[str, ...]:
    """List every fault of a stand by its name and what it is."""
    return tuple(f"{name}: {fault.words}" for name, fault in STAND_FAULTS.items())


COS_5 = math.cos(math.radians(5.0))
_PSI = factor("bar", "pressure") / factor("psi", "pressure")
STAND_FAULTS: Mapping[str, StandFault] = {
    "swapped": StandFault("the first sensors of two tanks are swapped", _swap),
    "reversed-cell": StandFault("the load cell reads the wrong way", _scale(-1.0, _cells)),
    "psi-for-bar": StandFault(
        "a sensor of a tank reads psi where bar is stated", _scale(_PSI, _first_tank)
    ),
    "pounds-for-newtons": StandFault("the load cell reads pounds", _scale(1.0 / factor("lbf", "force"), _cells)),
    "wrong-file": StandFault("a sensor of a tank has the calibration of another range", _scale(0.6, _first_tank)),
    "absolute-for-gauge": StandFault("a sensor of a tank is absolute where gauge is stated", _shift(0.978)),
    "zero-off": StandFault("the zero of a sensor of a tank has moved by a bar", _shift(-1.0)),
    "dead-twin": StandFault("the second sensor of a tank does not respond", _dead_twin),
    "tanks-connected": StandFault("a check valve between the tanks passes", _connected),
    "soft-cell": StandFault("hoses carry a fifth of the load beside the cell", _scale(0.8, _cells)),
    "bent": StandFault("a sensor of a tank is bent: right at rest and at 30 bar, 1.5 bar high at 3 bar", _bend),
    "crooked": StandFault("thrust line and cell are 5 degrees apart", _scale(COS_5, _cells), angle="5.0/0.2"),
    "no-edge": StandFault("the line that is T-0 is not connected", _unchanged, no_edge=True),
    "supply-sag": StandFault("the sensors' supply sags where nobody measures it", _unchanged, supply_unseen=True),
}  # fmt: skip
