"""When a cold flow began and how it ended, from the tank pressure alone: valve closed, or gas came through.

SI; times in seconds, pressures absolute. Where the opening lies is found here, both ends are placed by
`analysis.flow_ends.flow_ends`.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.flow_ends.flow_ends import Expected, TankRecord, flow_bounds
from standbook.analysis.signal.valve_events import Event, opening_time
from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError


@dataclass(frozen=True, slots=True, kw_only=True)
class Detection:
    """What tells a flow from what comes before it, and a flow that is certain from one that is not."""

    coarse: float = 0.1  # means for levels [s]
    near_top: float = 0.97  # of the greatest drive: from here on the tank stands pressurised
    falls: tuple[float, ...] = (0.90, 0.75, 0.50)  # of it: by then the opening lies behind; later ones for cooling gas
    searched_on: float = 0.8  # after such a fall in which the opening is still looked for [s]
    rising: float = 1.0  # before an opening [s]
    rises: float = 0.01  # share of the drive by which a tank at rest does not rise then
    cools: float = 0.2  # share of the drive by which fresh gas may cool
    cooling: float = 0.3  # after its summit until it only falls [s]
    before_t_zero: float = 3.0  # that a valve may open before its command edge, should that be the wrong edge [s]
    command: tuple[float, float] = (-0.5, 3.0)  # about the edge, where the opening is looked for first [s]
    about: float = 0.6  # about a break of the pressure, in which the opening lies [s]
    clear: float = 0.2  # of a stroke, left out of the hold [s]
    unsure: float = 0.1  # of the flow's length: ends known no better leave nothing worth a number


DETECTION = Detection()
STILL_BEFORE = 1.0  # s before the opening in which a sensor must not clip, else what opened is only its range


@dataclass(frozen=True, slots=True)
class FlowInstants:
    """Both ends of one flow."""

    opening: Event
    end: Event
    ran_dry: bool  # gas came through before the valve closed
    first_gas: float | None = None  # when it began to, if it did [s]

    def why_unsure(self) -> str | None:
        """Say why the two ends are too unsure for any number, ``None`` where they are not."""
        length, u = self.end.time - self.opening.time, math.hypot(self.opening.u, self.end.u)
        if u <= DETECTION.unsure * length:
            return None
        return (
            f"when the flow of {length:.1f} s began and ended is known to {u:.2f} s (standard uncertainty) only, "
            f"beyond {DETECTION.unsure:.0%} of it: sample faster, quieten the sensor or let it flow for longer"
        )


def flow_instants(
    record: TankRecord, *, t_zero_known: bool, name: str = "valve", dry: bool | None = None
) -> FlowInstants:
    """Find both ends of a flow.

    Parameters
    ----------
    record : TankRecord
        Samples of the tank, without any that is not a number.
    t_zero_known : bool
        Times count from the valve's command.
    name : str
        Begins the events' names.
    dry : bool, optional
        Plan or scales foretell that gas ends the flow; ``False``: they exclude it.

    Raises
    ------
    DataError
        The pressure never goes from still to falling, or nothing ends the fall.
    """
    span = _opening(record, t_zero_known, f"{name} open")
    rest = at_rest_since(record.time, record.pressure, span[0] + DETECTION.about)
    opened, ended = flow_bounds(record, Expected(opening=span, rest_from=rest, dry=dry))
    ran_dry = ended.kind != "closed"
    end = Event(f"{name} {'run-out' if ran_dry else 'closed'}", ended.time, ended.u, ended.method)
    return FlowInstants(
        Event(f"{name} open", opened.time, opened.u, opened.method), end, ran_dry=ran_dry, first_gas=ended.first_gas
    )


def certain_instants(record: TankRecord, *, t_zero_known: bool, name: str, dry: bool | None) -> FlowInstants:
    """Find both ends of a flow as `flow_instants` does, and refuse them where they are not certain.

    Raises
    ------
    DataError
        There is no flow, or noise hides its ends.
    """
    instants = flow_instants(record, t_zero_known=t_zero_known, name=name, dry=dry)
    unsure = instants.why_unsure()
    if unsure is not None:
        raise DataError(unsure)
    return instants


def at_rest_since(time: Array, pressure: Array, opening: float) -> float:
    """Return since when the tank stood at the pressure at which it was opened: pressurising is no part of the hold."""
    at, mean = block_average(
        time, pressure, start=float(time[0]), end=opening - DETECTION.clear, block=DETECTION.coarse
    )
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    if at.size == 0:
        return float(time[0])
    other = np.flatnonzero(
        np.abs(mean - np.median(mean[-10:])) > (1.0 - DETECTION.near_top) * abs(float(np.median(mean[-10:])))
    )
    return float(at[other[-1]]) + DETECTION.coarse if other.size else float(time[0])


def _opening(record: TankRecord, t_zero_known: bool, name: str) -> tuple[float, float]:
    """Return the span in which a valve opened: about the break of the pressure, else about its command. [s]."""
    coarse = DETECTION.coarse
    time, pressure = record.time, record.pressure
    count = max(1, round((time[-1] - time[0]) / coarse))
    at, mean = block_average(
        time, record.drive, start=float(time[0]), end=float(time[0]) + count * coarse, block=coarse
    )
    known = np.isfinite(mean)
    at, drive = at[known], mean[known]
    top = float(drive.max(initial=0.0))
    reached = float(at[np.argmax(drive >= DETECTION.near_top * top)]) if top > 0.0 else 0.0
    start = max(reached, -DETECTION.before_t_zero) if t_zero_known else reached
    last: DataError | None = None
    filled: float | None = None  # the end of pressurising, from where fresh gas cools
    for share in DETECTION.falls:
        fallen = (at > max(start, float(at[int(np.argmax(drive))]))) & (drive < share * top)
        if not fallen.any():
            break
        end = float(at[fallen][0]) + DETECTION.searched_on
        try:
            if filled is None:
                found = opening_time(time, pressure, start=start, end=end, name=name).time
                before, then = np.interp([found - DETECTION.rising, found], at, drive)
                if then - before < DETECTION.rises * top:
                    return _about(found)
                filled = found
            later = opening_time(time, pressure, start=filled + DETECTION.cooling, end=end, name=name).time
            if np.interp(later, at, drive) > (1.0 - DETECTION.cools) * top:
                return _about(later)
        except DataError as error:
            last = error
    if filled is not None:
        return _about(filled)
    if t_zero_known and last is not None:
        return DETECTION.command
    raise last or DataError(
        f"{name}: the pressure never fell by a tenth of its {top / 1e5:.2f} bar above the back pressure; the valve did "
        "not open, a supply stayed on, or this is not the tank's sensor"
    )


def _about(instant: float) -> tuple[float, float]:
    return instant - DETECTION.about, instant + DETECTION.about
