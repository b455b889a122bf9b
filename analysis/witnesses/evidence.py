"""Everything beside the cell that vouches for the impulse of one firing, and what it says against it.

SI; times in seconds after T-0. No route decides who is right: where two disagree, nothing is shown.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.dataset import CheckWeight, Dataset
from standbook.analysis.findings.witnesses import (
    CHECK_WEIGHT_APART,
    COURSE_CHANGED,
    COURSE_NOTED,
    RATIO_OUTSIDE_TABLE,
    ROUTE_APART,
    SECOND_CELL,
)
from standbook.analysis.impulse.total_impulse import relative_gain_u
from standbook.analysis.results.firing_results import ImpulseRoute, IndependentChecks
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ImpulseResult
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.thrust.both_flow import BothFlow
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.chamber_pressure import above_tank
from standbook.analysis.thrust.tank_flows import TankFlow, first_run_out
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.analysis.witnesses.course import Course, course_of
from standbook.analysis.witnesses.routes import (
    Route,
    chamber_route,
    mass_route,
    mixture_ratio,
    planned_cstar,
    whole_mass_route,
)
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

DISAGREES = 3.0  # standard uncertainties of both
SEEN_SURELY = 4.65  # standard uncertainties: beyond DISAGREES in 95 of 100 cases
COURSE_REFUSED, COURSE_SAID = 0.020, 0.017  # of the ratio of thrust to chamber pressure
CHECK_SHARE = 0.20  # of the greatest thrust, that a check weight must load the cell with: else its zero decides
CHECK_U, BOTH_U = 0.005, 0.0075  # relative, of a check weight that may prove a gain, and of both: else 3 u tell little


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What vouches for the cell and the clock, and what speaks against them."""

    routes: tuple[Route, ...]
    course: Course | None
    cell_u: float  # relative standard uncertainty of the cell's impulse
    gain_proven: bool
    clock_proven: bool
    findings: tuple[Finding, ...]

    @property
    def against(self) -> tuple[Finding, ...]:
        """Findings that keep any verdict back."""
        return tuple(finding for finding in self.findings if finding.severity != "note")

    def route(self, name: str) -> Route | None:
        """Return one route by its name."""
        return next((route for route in self.routes if route.name == name), None)

    def result(self, site: ImpulseResult) -> IndependentChecks:
        """Return what stands in results, totals over the whole burn."""
        return IndependentChecks(
            routes=tuple(_routed(route, site, self.cell_u) for route in self.routes),
            course_departure=None if self.course is None else self.course.departure,
            course_window=None if self.course is None else (self.course.start, self.course.end),
            gain_proven=self.gain_proven,
            clock_proven=self.clock_proven,
        )


def _routed(route: Route, site: ImpulseResult, cell_u: float) -> ImpulseRoute:
    whole = site.value * (1.0 + route.apart)
    return ImpulseRoute(
        name=route.name,
        impulse=Measured(whole, whole * route.relative_u, "N*s"),
        apart=route.apart,
        sigma=route.sigma(cell_u),
        seen_surely=SEEN_SURELY * math.hypot(route.relative_u, cell_u),
        unstated=route.unstated,
        start=route.start,
        end=route.end,
    )


def evidence_of(
    dataset: Dataset,
    record: ThrustRecord,
    burn: Burn,
    flows: Mapping[str, TankFlow],
    both: BothFlow | None,
    site: ImpulseResult,
) -> Evidence:
    """Hold the cell against chamber pressure, expelled mass and check weights.

    Of an impulse that misses thrust no route can say more than that, so none is asked.
    """
    cell_u = site.u / abs(site.value) if site.value else math.inf
    proven = _by_check_weights(dataset, record, relative_gain_u(site.budget, site.value))
    proven = proven[0], (*_second_cells(dataset, record.cell.tag), *proven[1])
    clock_proven = dataset.clock_checked
    if site.lower_bound_only or site.value <= 0.0:
        return Evidence(
            routes=(), course=None, cell_u=cell_u, gain_proven=False, clock_proven=clock_proven, findings=proven[1]
        )
    start, end = (both.start, both.end) if both is not None else burn.inner(first_run_out(flows))
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), start, end)
    if above_tank(dataset, chamber, flows, start, end) is not None:
        chamber = None
    course = course_of(dataset, record, chamber, start, end)
    found = (
        chamber_route(dataset, record, chamber, start, end),
        mass_route(dataset, record, both) or whole_mass_route(dataset, record, burn, flows),
    )
    routes = tuple(route for route in found if route is not None)
    tag = record.cell.tag
    return Evidence(
        routes=routes,
        course=course,
        cell_u=cell_u,
        gain_proven=proven[0],
        clock_proven=clock_proven,
        findings=(*proven[1], *_of_table(dataset, both), *_of_routes(tag, routes, cell_u), *_of_course(tag, course)),
    )


def _second_cells(dataset: Dataset, tag: str) -> tuple[Finding, ...]:
    """Say which thrust cells are not in the impulse though nobody called them spare."""
    cells = dataset.measuring(measurands.THRUST)
    others = [c.tag for c in cells if c.tag != tag and dataset.stand.input_tagged(c.tag).share is None]
    return (SECOND_CELL.at(tag, cells=len(cells), others=" and ".join(others)),) if others else ()


def _of_table(dataset: Dataset, both: BothFlow | None) -> tuple[Finding, ...]:
    """Say that the plan knows no c* at the mixture ratio at which both liquids flowed."""
    engine = dataset.plan.engine
    if engine is None or both is None or both.total is None or planned_cstar(engine, both) is not None:
        return ()
    first, last = engine.cstar_table[0][0], engine.cstar_table[-1][0]
    return (RATIO_OUTSIDE_TABLE.at(None, ratio=mixture_ratio(both).value, first=first, last=last),)


def _of_routes(tag: str, routes: tuple[Route, ...], cell_u: float) -> list[Finding]:
    said = []
    for route in routes:
        sigma = route.sigma(cell_u)
        if abs(sigma) > DISAGREES:
            way = "more" if sigma > 0.0 else "less"
            said.append(
                ROUTE_APART.at(
                    tag,
                    route.start,
                    route=route.name,
                    percent=100.0 * abs(route.apart),
                    way=way,
                    sigma=abs(sigma),
                    end=route.end,
                )
            )
    return said


def _of_course(tag: str, course: Course | None) -> list[Finding]:
    if course is None or abs(course.departure) <= COURSE_SAID:
        return []
    kind = COURSE_CHANGED if abs(course.departure) > COURSE_REFUSED else COURSE_NOTED
    side = "below" if course.departure < 0.0 else "above"
    percent = 100.0 * abs(course.departure)
    return [kind.at(tag, course.start, end=course.end, percent=percent, side=side)]


def _by_check_weights(dataset: Dataset, record: ThrustRecord, gain_u: float) -> tuple[bool, tuple[Finding, ...]]:
    """Tell whether check weights before and after the run prove the cell's gain, and say what disagrees."""
    tag, said, good = record.cell.tag, [], set()
    # A stand that rings goes higher for a moment than the load does.
    greatest = float(running_mean(record.time, record.thrust, record.mode_period).max())
    for hung in dataset.check_weights:
        force, ratio = _force_on(hung, dataset, record)
        u = math.hypot(hung.reading.u / hung.reading.value, force.u / force.value)
        if abs(ratio - 1.0) > DISAGREES * math.hypot(u, gain_u):
            said.append(
                CHECK_WEIGHT_APART.at(
                    tag,
                    None,
                    when=hung.when,
                    force=force.value,
                    reading=record.factor * hung.reading.value,
                    percent=100.0 * abs(ratio - 1.0),
                    side="below" if ratio < 1.0 else "above",
                )
            )
        elif u <= CHECK_U and math.hypot(u, gain_u) <= BOTH_U and force.value >= CHECK_SHARE * greatest:
            good.add(hung.when)
    return {"before", "after"} <= good and not said, tuple(said)


def _force_on(hung: CheckWeight, dataset: Dataset, record: ThrustRecord) -> tuple[Measured, float]:
    """Return the weight that was hung [N], and what the cell made of it over that."""
    gravity = dataset.plan.site.gravity
    value = hung.mass.value * gravity.value
    force = Measured(value, math.hypot(hung.mass.u * gravity.value, hung.mass.value * gravity.u), "N")
    return force, record.factor * hung.reading.value / value
