"""When a flow of liquid began and how it ended, from one tank's pressure and drive alone.

SI; times in seconds, pressures absolute. An end is where the liquid's curve, carried forward, meets the gas's or the
hold's, carried back, so that no shape of the fading is assumed. A weighed mass or the plan may say whether gas is to be
expected; neither places an end.
"""

import math
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from standbook.analysis.flow_ends.course import Course, course_of
from standbook.analysis.flow_ends.departures import (
    Areas,
    Departure,
    Detection,
    departures,
    next_change,
    rough_opening,
)
from standbook.analysis.flow_ends.line_noise import LEAST_HOLD, LineNoise, line_noise, quiet_stretch, settled_hold
from standbook.analysis.flow_ends.placed_ends import Fitting, Placed, placed_end, placed_opening
from standbook.analysis.flow_ends.shut_gas import UNTOUCHED, Emptied, ShutGas, emptied
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

Kind = Literal["closed", "run-out", "gas then closed"]

LONGEST_HOLD = 8.0  # s before the opening, from which noise is measured
CLEAR_OF_OPENING = 0.1  # s of it left out
GAS_DISCHARGE = 1.1  # discharge coefficient of gas over that of liquid: common practice, no source
LEAST_RATIO = 1.3  # of both slopes
LIQUID_EXPONENT = 1.15  # of an ullage late in a flow, where heat comes in
COOLED = 0.95  # of the start temperature: what an ullage that expanded by half or so has left, with its heat
SHUT_SOON = 1.5  # s after first gas, within which a closing is fitted with it
LEAST_RECORD = 1.5  # s after an opening; in less no end can be told from a flow that goes on
LAST = 1.5  # s at the end of a record, which tell whether liquid flows on
STILL_SHARE, STILL_SURE = 0.5, 2.0  # of the flow's mean area; standard uncertainties above it
LEAST_HELD = 0.5  # of the windows, whose places tried hold a bend; fewer follow the bending of the course
UNWEIGHED = "what was caught cannot be set against it"
GAS_GAIN = 12.0  # of the sum of squares by gas before a closing, noise scaled, where nothing foretold gas


@dataclass(frozen=True, slots=True, kw_only=True)
class Pressurant:
    """What decides how fast gas follows liquid through the same opening."""

    heat_capacity_ratio: float
    specific_constant: float  # [J/(kg K)]
    temperature: float  # at the opening [K]

    def speed_ratio(self, drive: float, density: float) -> float:
        """Return how much faster the pressure falls by gas than by liquid of a density [kg/m³] under a drive [Pa].

        Gas leaves at the speed of choked flow. An empty tank's gas expands without heat, a full one's with some.
        """
        k = self.heat_capacity_ratio
        choked = math.sqrt(k) * (2.0 / (k + 1.0)) ** ((k + 1.0) / (2.0 * (k - 1.0)))
        gas = GAS_DISCHARGE * choked * math.sqrt(self.specific_constant * COOLED * self.temperature)
        liquid = math.sqrt(2.0 * max(drive, 1.0) / density)
        return float(max(k / LIQUID_EXPONENT * gas / liquid, LEAST_RATIO))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class TankRecord:
    """What one tank's sensors recorded, without samples that are not a number."""

    time: Array  # (N,) [s]
    pressure: Array  # (N,) absolute [Pa]
    drive: Array  # (N,) pressure less back pressure, liquid column included [Pa]
    step: float = 0.0  # of the converter [Pa]
    density: float = 1000.0  # of the liquid [kg/m³]
    pressurant: Pressurant | None = None


@dataclass(frozen=True, slots=True)
class FlowBound:
    """One end of a flow."""

    time: float  # [s]
    u: float  # [s]
    kind: Kind | Literal["opened"]
    method: str
    first_gas: float | None = None  # [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What is known of a flow before its pressure is looked at."""

    opening: tuple[float, float]  # span in which the valve opened [s]
    rest_from: float  # since when the tank stood at its pressure [s]
    dry: bool | None = None  # gas is foretold, by plan or scales; False: excluded by scales


def flow_bounds(record: TankRecord, expected: Expected) -> tuple[FlowBound, FlowBound]:
    """Find both ends of a flow.

    Raises
    ------
    DataError
        Nothing opens where it should, or nothing ends the flow.
    """
    middle = 0.5 * (expected.opening[0] + expected.opening[1])
    course = course_of(record.time, record.pressure, record.drive, opening=middle)
    search = _Search(record, course, expected)
    opening = search.opening()
    return opening, search.end(opening)


def noise_before(course: Course, *, opening: float, rest_from: float, step: float) -> LineNoise:
    """Measure the noise of a tank at rest before its opening; where that is too short, in what is smoothest.

    Parameters
    ----------
    opening, rest_from : float
        When the valve opened, roughly, and since when the tank stood. [s]
    step : float
        Of the converter. [Pa]
    """
    low = course.place(max(opening - LONGEST_HOLD, rest_from))
    high = course.place(opening - CLEAR_OF_OPENING)
    least = max(0.1 * step, 1e-6 * float(np.max(course.pressure)))
    hold = course.pressure[low:high]
    if hold.size * course.block < LEAST_HOLD:
        hold = quiet_stretch(course.pressure, course.block)
    else:
        hold = settled_hold(hold, course.block)
    return line_noise(hold, course.block, least=least)


class _Search:
    """One tank's course with its noise, and the steps that find its ends."""

    def __init__(self, record: TankRecord, course: Course, expected: Expected) -> None:
        self.record, self.course, self.expected = record, course, expected
        self.detection, self.fitting, self.shut_gas = Detection(), Fitting(), ShutGas()
        self._measure(expected.opening[0])

    def _measure(self, opening: float) -> None:
        self.noise = noise_before(
            self.course, opening=opening, rest_from=self.expected.rest_from, step=self.record.step
        )
        self.areas = Areas(self.course, self.noise)

    def opening(self) -> FlowBound:
        """Place the opening where a line at rest meets the growing ullage."""
        low, high = self.expected.opening
        low = max(low, float(self.course.time[0]))
        rough = rough_opening(self.areas, low, high, self.detection)
        about, reach = (rough, 0.4) if rough is not None else (0.5 * (low + high), 0.5 * (high - low))
        self._measure(about - 0.2)
        found = self._opened(about, reach, about + 2.0)
        if found is None:
            raise DataError(f"nothing opens between {low:.2f} s and {high:.2f} s: no line at rest meets one that falls")
        return FlowBound(found.time, found.u, "opened", "line at rest meets the growing ullage volume")

    def _opened(self, about: float, reach: float, flow_end: float) -> Placed | None:
        last = float(self.course.time[-1])
        return placed_opening(
            self.course,
            self.noise,
            self.fitting,
            about=about,
            rest_from=self.expected.rest_from,
            flow_end=min(flow_end, last),
            reach=reach,
        )

    def end(self, opening: FlowBound) -> FlowBound:
        """Place the end of the liquid's flow."""
        begin = opening.time + self.detection.settled
        found = [
            replace(one, until=next_change(self.areas, one, self.detection))
            for one in departures(self.areas, opening.time, self.detection)
        ]
        if found:
            left, placed = self._first_held(found, begin)
            return self._gas(left, placed, begin) if left.steeper else self._stop(left, placed, begin)
        late = float(self.course.time[-1]) - opening.time
        if late < LEAST_RECORD:
            raise DataError(f"the record ends {late:.2f} s after the valve opened; nothing ends the flow")
        raise DataError(f"{self._no_end(begin)}, {late:.1f} s after the valve opened; {UNWEIGHED}")

    def _first_held(self, found: list[Departure], begin: float) -> tuple[Departure, Placed]:
        """Return the first departure, but one towards gas that most windows lose where they hold the next towards gas.

        A stop between the two was a closing, and what falls after it is a vent.
        """
        placed = self._placed(found[0], begin)
        if placed.held < LEAST_HELD and all(one.steeper for one in found[:2]):
            for later in found[1:2]:
                other = self._placed(later, begin)
                if other.held > LEAST_HELD:
                    return later, other
        return found[0], placed

    def _placed(self, left: Departure, begin: float) -> Placed:
        ratio = self._ratio(left.time)
        placed = placed_end(self.course, self.noise, left, self.fitting, begin=begin, ratio=ratio)
        return placed or Placed(left.time, left.line, 0.0, left.time)

    def _no_end(self, begin: float) -> str:
        """Say whether the liquid surely flows on where the record ends, or nobody can tell."""
        last = float(self.course.time[-1])
        flowing, _ = self.areas.one(begin, last)
        late, late_u = self.areas.one(max(begin, last - LAST), last)
        if late - STILL_SURE * late_u > STILL_SHARE * flowing:
            return "the pressure still falls as liquid makes it fall where the record ends"
        return "no end of the flow stands out of the sensor's noise before the record ends"

    def _ratio(self, instant: float) -> float | None:
        gas = self.record.pressurant
        if gas is None:
            return None
        drive = self.course.drive[self.course.clear_before(instant)]
        return gas.speed_ratio(float(drive), self.record.density)

    def _stop(self, left: Departure, placed: Placed, begin: float) -> FlowBound:
        closed = FlowBound(placed.time, placed.u, "closed", "curve of the flow meets that of the hold")
        if self.expected.dry is False:
            return closed
        gas = self._emptied(left, placed.time, placed.u, begin)
        if gas is None or not (self.expected.dry or gas.gain > GAS_GAIN):
            return closed
        return FlowBound(gas.time, gas.u, "gas then closed", "what gas took before the closing", gas.first_gas)

    def _gas(self, left: Departure, placed: Placed, begin: float) -> FlowBound:
        method = "curve of the liquid meets that of the gas"
        bound = FlowBound(placed.time, placed.u, "run-out", method, min(placed.onset, placed.time))
        if not (left.until - left.time < SHUT_SOON and left.until < float(self.course.time[-1]) - 0.3):
            return bound
        gas = self._emptied(left, left.until, 0.1, begin)
        if gas is None:
            return bound
        weights = np.array([1.0 / placed.u**2, 1.0 / gas.u**2])
        weights /= weights.sum()
        time = float(weights @ [placed.time, gas.time])
        apart = float(weights @ [(placed.time - time) ** 2, (gas.time - time) ** 2])
        u = math.sqrt(1.0 / (1.0 / placed.u**2 + 1.0 / gas.u**2) + apart)
        return FlowBound(time, u, "gas then closed", f"{method}, and what gas took before the closing", bound.first_gas)

    def _emptied(self, left: Departure, closing: float, closing_u: float, begin: float) -> Emptied | None:
        ratio = self._ratio(closing - UNTOUCHED)
        if ratio is None:
            return None
        stop = replace(left, time=closing, steeper=False)
        until = next_change(self.areas, stop, self.detection)
        reach = max(self.shut_gas.stop_reach, 2.0 * closing_u)
        limits = replace(self.shut_gas, stop_reach=reach)
        return emptied(self.course, self.noise, closing, limits, begin=begin, until=until, ratio=ratio)
