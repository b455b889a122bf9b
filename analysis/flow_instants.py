"""When a cold flow began and how it ended, from the tank pressure alone: valve closed, or gas came through.

SI; times in seconds, pressures absolute. A vent falls faster than any flow, a hold is flatter: so each slope is
held against the one the liquid would still give. Events are refined by `analysis.events`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.compare import block_average
from analysis.events import SLOPE_SPANS, Event, closing_time, knee_time, opening_time, slope_scatter, slopes_beside
from daq.errors import DataError

Array = NDArray[np.float64]

COARSE, FINE = 0.1, 0.02  # s, means for levels and for slopes
NEAR_TOP = 0.97  # of the greatest drive: from here on the tank stands pressurised
FALLS = (0.90, 0.75, 0.50)  # of it: after this the opening lies behind; the later ones for a tank that cools long
BEFORE_T_ZERO = 3.0  # s that a valve may open before its command edge, should that be the wrong edge
SETTLED = 0.3  # s from mid-stroke until the slope is that of the open valve
LIQUID_SLOPE = (0.35, 1.7)  # of the slope expected of liquid: below it stopped, above it gas comes through
SIGNIFICANT = 5.0  # standard deviations of a slope that a departure must have too
QUIET_SLOPE = 0.03  # of the first slope: noise that the shortest span may leave
USUAL_EXPONENT = 1.3  # only to follow the ullage volume, whose slope halves or so over a flow
LEAD, CLOSING_TAIL, KNEE_TAIL = 2.0, 1.2, 0.8  # s about the departure in which the event is refined


@dataclass(frozen=True, slots=True)
class FlowInstants:
    """Both ends of one flow."""

    opening: Event
    end: Event
    ran_dry: bool  # gas came through before the valve closed


def flow_instants(
    time: Array, pressure: Array, *, back_pressure: float, t_zero_known: bool, name: str = "valve"
) -> FlowInstants:
    """Find both ends of a flow.

    Parameters
    ----------
    time, pressure : (N,) array
        Instants [s] and tank pressure, absolute, without samples that are not a number. [Pa]
    back_pressure : float
        What the liquid flows against, absolute. [Pa]
    t_zero_known : bool
        Times count from the valve's command; it opened no more than ``BEFORE_T_ZERO`` s before.
    name : str
        Begins the events' names.

    Raises
    ------
    DataError
        The pressure never goes from still to falling, or nothing ends the fall.
    """
    opening = _opening(time, pressure, back_pressure, t_zero_known, f"{name} open")
    found, span, ran_dry = _departure(time, pressure, back_pressure, opening.time)
    start = max(found - LEAD, opening.time + SETTLED)
    end_name = f"{name} run-out" if ran_dry else f"{name} closed"
    try:
        if ran_dry:
            end = knee_time(time, pressure, start=start, end=found + span + KNEE_TAIL, name=end_name)
        else:
            end = closing_time(time, pressure, start=start, end=found + span + CLOSING_TAIL, name=end_name)
    except DataError:
        end = Event(end_name, found + 0.5 * span, 0.5 * span, "slope against that of the flowing liquid")
    return FlowInstants(opening, end, ran_dry)


def _opening(time: Array, pressure: Array, back_pressure: float, t_zero_known: bool, name: str) -> Event:
    count = max(1, round((time[-1] - time[0]) / COARSE))
    at, mean = block_average(time, pressure, start=float(time[0]), end=float(time[0]) + count * COARSE, block=COARSE)
    known = np.isfinite(mean)
    at, drive = at[known], mean[known] - back_pressure
    top = float(drive.max(initial=0.0))
    reached = float(at[np.argmax(drive >= NEAR_TOP * top)]) if top > 0.0 else 0.0
    start = max(reached, -BEFORE_T_ZERO) if t_zero_known else reached
    last: DataError | None = None
    for share in FALLS:
        fallen = (at > max(start, float(at[int(np.argmax(drive))]))) & (drive < share * top)
        if not fallen.any():
            break
        try:
            return opening_time(time, pressure, start=start, end=float(at[fallen][0]) + 0.8, name=name)
        except DataError as error:
            last = error
    raise last or DataError(
        f"{name}: the pressure never fell by a tenth of its {top / 1e5:.2f} bar above the back pressure; the valve did "
        "not open, a supply stayed on, or this is not the tank's sensor"
    )


def _departure(time: Array, pressure: Array, back_pressure: float, opening: float) -> tuple[float, float, bool]:
    """Return where the slope leaves that of flowing liquid, over which span, and whether it became steeper."""
    begin = opening + SETTLED
    end = begin + FINE * int((time[-1] - begin) / FINE)
    if end - begin < 3.0 * SLOPE_SPANS[0]:
        late = max(end - opening, 0.0)
        raise DataError(f"the record ends {late:.2f} s after the valve opened; nothing ends the flow")
    at, mean = block_average(time, pressure, start=begin, end=end, block=FINE)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    unit = slope_scatter(at, mean)
    for span in SLOPE_SPANS:
        _, after, _ = slopes_beside(at, mean, span)
        seen = np.isfinite(after)
        if not seen.any():
            break
        first = int(np.argmax(seen))
        u = unit / span**1.5
        if u <= QUIET_SLOPE * abs(after[first]):
            break
    drive = np.maximum(mean - back_pressure, 0.0)
    # Liquid through an unchanged opening: dP/dt goes as P sqrt(drive) / V, and V as P^(-1/n).
    share = (np.maximum(mean, 1.0) / mean[first]) ** (1.0 + 1.0 / USUAL_EXPONENT)
    expected = after[first] * share * np.sqrt(drive / drive[first])
    low, high = LIQUID_SLOPE
    slower = after > low * expected
    steeper = after < high * expected
    left = seen & (slower | steeper) & (np.abs(after - expected) > SIGNIFICANT * u)
    left[: first + 1] = False
    if not left.any():
        raise DataError(
            f"the pressure still falls as liquid makes it fall where the record ends, {at[-1] - opening:.1f} s after "
            "the valve opened; what was caught cannot be set against it"
        )
    k = int(np.argmax(left))
    return float(at[k]), span, bool(steeper[k])
