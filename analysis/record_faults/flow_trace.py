"""One flow as the tests of a record see it: averaged course, its noise, and both ends as they were found. SI."""

from dataclasses import dataclass

from standbook.analysis.flow_ends.course import Course, course_of
from standbook.analysis.flow_ends.departures import Areas
from standbook.analysis.flow_ends.flow_ends import TankRecord, noise_before
from standbook.analysis.flow_ends.line_noise import LineNoise

SETTLED = 0.3  # s after the opening, from where on the valve stands open
BEFORE_END, CLEAR = 1.8, 0.1  # s before an end that tell the liquid's area; s of them left out


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FlowTrace:
    """A flow between two ends."""

    course: Course
    noise: LineNoise
    areas: Areas
    rest_from: float  # since when the tank stood at its pressure [s]
    opening: float  # [s]
    end: float  # [s]
    end_u: float  # [s]

    def area_before_end(self) -> tuple[float, float]:
        """Return the apparent area of the flowing liquid before the end, with its u."""
        start = max(self.opening + SETTLED, self.end - BEFORE_END)
        return self.areas.one(min(start, self.end - 2.0 * CLEAR), self.end - CLEAR)

    @property
    def last(self) -> float:
        """Last instant of the record. [s]."""
        return float(self.course.time[-1])


def flow_trace(record: TankRecord, *, opening: float, end: float, end_u: float, rest_from: float) -> FlowTrace:
    """Average a flow's record as the search for its ends does."""
    course = course_of(record.time, record.pressure, record.drive, opening=opening)
    noise = noise_before(course, opening=opening, rest_from=rest_from, step=record.step)
    return FlowTrace(
        course=course,
        noise=noise,
        areas=Areas(course, noise),
        rest_from=rest_from,
        opening=opening,
        end=end,
        end_u=end_u,
    )
