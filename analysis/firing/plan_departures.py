"""Which planned number of a firing came out otherwise: each one tested by its own measurement.

SI. Flow areas, exponents, c* and thrust coefficient are what no instrument told before the run; loads and start
pressures were weighed and read, and are never called wrong by what follows from them.
"""

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from standbook.analysis.diagnosis.chance import CHANCE, SURE, evidence_of, moved_probability
from standbook.analysis.findings.causes import CDA_MOVED, CSTAR_MOVED, EXPONENT_MOVED, THRUST_COEFFICIENT_MOVED
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import EngineResult, TankResult
from standbook.analysis.thrust.both_flow import BothFlow
from standbook.analysis.witnesses.routes import Route, planned_cstar
from standbook.daq.config.plan import Plan
from standbook.daq.findings.finding import Finding, FindingKind
from standbook.daq.quantity import Quantity

SEVERAL = 0.15  # that the cause is none of them alone, beforehand; judgement
TELLING = 2.0  # standard uncertainties, from which a departure is worth a note
NEAR = 3.0  # times: others that explain it nearly as well are named too
CLEARLY, RATHER = 3.0, 1.0  # of the logarithm of the evidence over the next


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """One planned number beside its measurement."""

    kind: FindingKind
    about: str | None  # tank
    words: str
    measured: Measured
    planned: Measured
    shown: tuple[str, float, int]  # unit in words, its size, digits
    decide: str

    @property
    def z(self) -> float:
        """Difference in standard uncertainties of both."""
        return (self.measured.value - self.planned.value) / math.hypot(self.measured.u, self.planned.u)

    @property
    def evidence(self) -> float:
        """Natural logarithm of how many times better a move explains it than chance."""
        return evidence_of(self.z)


@dataclass(frozen=True, slots=True)
class Ranking:
    """Departures, the best explanation first."""

    order: tuple[Departure, ...]
    probability: float  # that something moved at all
    several: float  # ln of the evidence of several at once, with their chance over that of one

    @property
    def lead(self) -> float:
        """Logarithm by which the first is ahead of the next, or of several at once."""
        rest = [departure.evidence for departure in self.order[1:2]]
        return self.order[0].evidence - max(*rest, self.several)


def ranking_of(departures: tuple[Departure, ...]) -> Ranking:
    """Weigh departures against chance and against each other; at least one is needed."""
    order = tuple(sorted(departures, key=lambda departure: -departure.evidence))
    several = sum(departure.evidence for departure in order) + math.log(SEVERAL / CHANCE)
    return Ranking(order, moved_probability(departure.z for departure in order), several)


def departures_of(
    plan: Plan,
    tanks: Mapping[str, TankResult],
    engine: EngineResult,
    both: BothFlow | None,
    by_chamber: Route | None,
) -> tuple[Departure, ...]:
    """Set every planned number that was measured beside its measurement."""
    return (*_of_tanks(plan, tanks), *_of_engine(plan, engine, both, by_chamber))


def departure_findings(departures: tuple[Departure, ...], *, left_band: bool) -> list[Finding]:
    """Say which planned number came out otherwise, as a caution only where chance hardly does that.

    Parameters
    ----------
    left_band : bool
        Some quantity left its predicted band, so that an explanation is owed even where chance would do.
    """
    if not departures:
        return []
    ranking = ranking_of(departures)
    sure = ranking.probability > SURE
    first = ranking.order[0]
    if not sure and not left_band and abs(first.z) < TELLING:
        return []
    near = [d for d in ranking.order if d.evidence > max(first.evidence - math.log(NEAR), 0.0)]
    told = near or ([first] if abs(first.z) >= TELLING else [])
    return [
        departure.kind.at(
            departure.about,
            severity="caution" if sure and departure is first else "note",
            decided_by=departure.decide,
            what=_what(departure),
            place=place,
            considered=len(ranking.order),
            standing=_standing(ranking) if departure is first else "explains it nearly as well",
            decide=departure.decide,
        )
        for place, departure in enumerate(told, start=1)
    ]


def _standing(ranking: Ranking) -> str:
    if ranking.several > ranking.order[0].evidence:
        return "but several at once, or none of these, explain it better"
    if ranking.lead > CLEARLY:
        return "clearly before the next"
    return "rather than the next" if ranking.lead > RATHER else "cannot be told from the next"


def _what(departure: Departure) -> str:
    unit, size, digits = departure.shown

    def written(quantity: Measured) -> str:
        return f"{quantity.value / size:.{digits}f}{unit} (u = {quantity.u / size:.{digits}f}{unit})"

    return (
        f"{departure.words} came out at {written(departure.measured)}, the plan had {written(departure.planned)}, "
        f"{abs(departure.z):.1f} standard uncertainties of both apart"
    )


def _of_tanks(plan: Plan, tanks: Mapping[str, TankResult]) -> Iterator[Departure]:
    for tank in plan.tank:
        found = tanks.get(tank.name)
        if found is None or tank.name not in EXPONENT_MOVED:
            continue
        if found.exponent is not None:
            yield Departure(
                kind=EXPONENT_MOVED[tank.name],
                about=tank.name,
                words=f"the {tank.name} ullage exponent",
                measured=found.exponent.chord,
                planned=_measured(tank.ullage_exponent),
                shown=("", 1.0, 2),
                decide="hold it against a cold flow with the same liquid and gas",
            )
        if found.cda is not None:
            yield Departure(
                kind=CDA_MOVED[tank.name],
                about=tank.name,
                words=f"the {tank.name} feed CdA",
                measured=found.cda,
                planned=_measured(tank.feed_cda),
                shown=(" mm2", 1e-6, 2),
                decide=f"repeat the water flow of the {tank.name} side, and weigh what stays aboard",
            )


def _of_engine(
    plan: Plan, engine: EngineResult, both: BothFlow | None, by_chamber: Route | None
) -> Iterator[Departure]:
    planned_speed = None
    if plan.engine is not None and both is not None and both.masses:
        planned_speed = planned_cstar(plan.engine, both)
    if planned_speed is not None and engine.cstar is not None:
        yield Departure(
            kind=CSTAR_MOVED,
            about=None,
            words="c*",
            measured=engine.cstar,
            planned=planned_speed,
            shown=(" m/s", 1.0, 0),
            decide="gauge the throat after the run: a throat as drawn leaves c*",
        )
    if engine.thrust_coefficient is not None and by_chamber is not None:
        planned = engine.thrust_coefficient.value * (1.0 + by_chamber.apart)
        # The chamber's and the throat's part of u is in the measured coefficient already.
        yield Departure(
            kind=THRUST_COEFFICIENT_MOVED,
            about=None,
            words="the thrust coefficient",
            measured=engine.thrust_coefficient,
            planned=Measured(planned, planned * by_chamber.coefficient_u, "1"),
            shown=("", 1.0, 3),
            decide="hang a check weight on the cell after the run, hoses on and pressurised, and gauge the throat",
        )


def _measured(quantity: Quantity) -> Measured:
    return Measured(quantity.value, quantity.u, quantity.unit)
