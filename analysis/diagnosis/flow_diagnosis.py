"""The diagnosis of a cold flow in sentences: cause, evidence with numbers and units, what to do.

SI; sentences show bar, kg, seconds. One finding for each likely cause, none for a healthy run; what no record of this
kind can show is said once, as a note.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from standbook.analysis.blowdown.record import NoteUncertainties, SensorUncertainties
from standbook.analysis.blowdown.shifted_flows import shifted_flows
from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.diagnosis.chance import SURE, moved_probability
from standbook.analysis.diagnosis.flow_causes import BY_NAME, Case, case_of, chords_by_heat, diagnose_flow, known_names
from standbook.analysis.diagnosis.ranking import Diagnosis, Ranked
from standbook.analysis.findings.causes import CAUSE_NOT_KNOWN, NEEDS_EXTERNAL_CHECK, NOT_DIAGNOSED
from standbook.analysis.results.quantities import Measured
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding, Severity

TOLD, LEAST_SHARE = 3, 0.05  # causes that are named, and the least probability of one
CHORD_MODEL_U = 0.015  # of a mean exponent: what a lumped gas leaves of a real one's
# Observables that no model of the gas stands behind; the mean exponent is held against all that heat can do.
MEASURED = frozenset({"ambient reading", "closure", "left aboard", "area", "weighed", "twin", "twin at ambient"})
PIECES = 3  # of evidence in a sentence
TELLING = 1.5  # standard deviations that a cause must move an observable to be evidence
INVISIBLE_GAIN, INVISIBLE_CLOCK = 0.005, 0.005  # relative errors whose effect is told
INVISIBLE_BACK = 0.5e5  # Pa, of a back pressure that the plan does not know

Phrase = Callable[[Case, float, float, float], str]  # observed, expected in health, its u


def diagnosis_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Name the likely causes of one flow's departures, and what stays invisible."""
    try:
        case = case_of(dataset, side)
        if case is None:
            return []
        told = diagnose_flow(case)
    except (DataError, np.linalg.LinAlgError) as error:
        return [NOT_DIAGNOSED.at(side.tank.name, error=error)]
    return [*_named(case, told), invisible_finding(dataset, side)]


def _named(case: Case, told: Diagnosis) -> list[Finding]:
    if not told.alarm:
        return []
    likely = [cause for cause in told.causes[:TOLD] if cause.share >= LEAST_SHARE]
    tank = case.side.tank.name
    severity: Severity = "caution" if _is_sure(case, told) else "note"
    if told.unexplained:
        names = known_names(case.evidence)
        far = np.abs(told.observed - told.healthy) / told.u
        seen = "; ".join(
            PHRASES[names[k]](case, told.observed[k], told.healthy[k], told.u[k]) for k in np.argsort(-far)[:PIECES]
        )
        return [
            CAUSE_NOT_KNOWN.at(
                tank,
                severity=severity,
                decided_by="a repeated flow with notes and sensors checked",
                causes=len(told.causes),
                seen=seen,
                nearest=_said(case, likely[0]),
            )
        ]
    return [
        BY_NAME[cause.name].kind.at(
            tank,
            severity=severity,
            decided_by=BY_NAME[cause.name].decide,
            rank=rank,
            share_percent=100.0 * min(cause.share, 0.99),
            what=_said(case, cause),
            evidence=_evidence(case, told, cause),
            decide=BY_NAME[cause.name].decide,
        )
        for rank, cause in enumerate(likely, start=1)
    ]


def _is_sure(case: Case, told: Diagnosis) -> bool:
    """Tell whether something moved that is measured by itself: a model's own misfit on other gas is no caution."""
    names = known_names(case.evidence)
    moved = [(told.observed[k] - told.healthy[k]) / told.u[k] for k, name in enumerate(names) if name in MEASURED]
    if case.side.exponent is not None:
        moved.append(_beyond_heat(case, case.side.exponent.chord))
    return moved_probability(moved) > SURE


def _beyond_heat(case: Case, chord: Measured) -> float:
    """Return by how many uncertainties the mean exponent lies outside all that heat alone can make it."""
    low, high = chords_by_heat(case)
    outside = max(low - chord.value, chord.value - high, 0.0)
    return outside / math.hypot(chord.u, CHORD_MODEL_U)


def _said(case: Case, cause: Ranked) -> str:
    return BY_NAME[cause.name].say(case, cause.size)


def _evidence(case: Case, told: Diagnosis, cause: Ranked) -> str:
    """Return what speaks for a cause: where it moves what is seen, and what is seen has moved that way."""
    names = known_names(case.evidence)
    moved, seen = (cause.expected - told.healthy) / told.u, (told.observed - told.healthy) / told.u
    speaks = np.where(np.abs(moved) > TELLING, seen * np.sign(moved), -np.inf)
    order = [k for k in np.argsort(-speaks)[:PIECES] if speaks[k] > 1.0]
    if not order:
        order = [int(np.argmax(np.abs(seen)))]
    words = [PHRASES[names[k]](case, told.observed[k], told.healthy[k], told.u[k]) for k in order]
    return ", and ".join([", ".join(words[:-1]), words[-1]]) if len(words) > 1 else words[0]


def _plain(what: str, unit: str, digits: int, scale: float = 1.0) -> Phrase:
    def phrase(_: Case, observed: float, expected: float, u: float) -> str:
        value, usual, spread = (f"{x / scale:.{digits}f}" for x in (observed, expected, u))
        return f"{what} {value}{unit}, {usual} ± {spread} expected"

    return phrase


def _rate(what: str) -> Phrase:
    def phrase(case: Case, observed: float, expected: float, u: float) -> str:
        level = case.vessel.start_pressure / 1e5
        return (
            f"{what} the pressure moved by {observed * level:+.4f} bar/s, {expected * level:+.4f} ± {u * level:.4f} "
            "expected"
        )

    return phrase


def _area(case: Case, observed: float, _: float, u: float) -> str:
    planned = case.side.tank.feed_cda.value
    return (
        f"CdA of the weighed liquid is {1e6 * planned * math.exp(observed):.2f} mm2, {1e6 * planned:.2f} ± "
        f"{1e6 * planned * u:.2f} mm2 expected"
    )


def _misfit(part: str) -> Phrase:
    def phrase(case: Case, observed: float, expected: float, u: float) -> str:
        level = 1e-2 * case.vessel.start_pressure
        return (
            f"{part} of the flow the pressure departs from its law by {observed * level:+.1f} mbar, "
            f"{expected * level:+.1f} ± {u * level:.1f} expected"
        )

    return phrase


PHRASES: Mapping[str, Phrase] = {
    "start exponent": _plain("the exponent starts at", "", 3),
    "chord exponent": _plain("the mean exponent, start to end, is", "", 3),
    "misfit 1": _misfit("in the first 6 %"),
    "misfit 2": _misfit("from 6 to 15 %"),
    "misfit 3": _misfit("from 15 to 35 %"),
    "misfit 4": _misfit("from 35 to 65 %"),
    "misfit 5": _misfit("in the last 35 %"),
    "before": _rate("before the opening"),
    "after": _rate("after the closing"),
    "ambient reading": _plain("open to the air the sensor differs from the barometer by", " bar", 3, 1e5),
    "closure": _plain("load less what was weighed leaves", " kg", 3),
    "left aboard": _plain("beyond the unusable rest there stayed aboard", " kg", 2),
    "area": _area,
    "lateness": _plain("the flow began after T-0 by", " s", 2),
    "manifold": _plain("the manifold's share of the drop changed by", " % a second", 2, 1e-2),
    "weighed": _plain("CdA by the tank's weight changed by", " % a second", 2, 1e-2),
    "twin": _plain("under pressure the second sensor differs by", " bar", 3, 1e5),
    "twin at ambient": _plain("open to the air the second sensor differs by", " bar", 3, 1e5),
}


def invisible_finding(dataset: Dataset, side: FlowSide) -> Finding:
    """Say what leaves no trace in such a record, by how much it would move CdA, and what would show it."""
    flow = side.flow
    assert flow is not None  # noqa: S101 - a case has the CdA that was taken from it
    base = flow.cda()
    still = replace(flow, start_pressure=float(flow.pressure[0]))
    sensor = SensorUncertainties(
        gain_u=INVISIBLE_GAIN, zero_u=0.0, reads_zero_at=side.channel.origin(dataset.plan.site.ambient_pressure)
    )
    notes = NoteUncertainties(clock_u=INVISIBLE_CLOCK, back_pressure_u=INVISIBLE_BACK)
    shifted = dict(shifted_flows(still, sensor, notes))
    by_gain, by_clock, by_back = (
        100.0 * (shifted[name].cda() / base - 1.0) for name in ("pressure gain", "clock rate", "back pressure")
    )
    clock = ""
    health = dataset.record.get(side.channel.stream)
    if health is None or health.clock_ppm is None:
        clock = (
            f", nor would a clock {100.0 * INVISIBLE_CLOCK:g} % slow ({by_clock:+.2f} %): film a second clock, or fit "
            "the device's to the computer's over an hour"
        )
    tag = side.channel.tag
    return NEEDS_EXTERNAL_CHECK.at(
        tag,
        decided_by="dead-weight tester or shunt for the span, a second clock for the rate, a gauge behind the valve",
        invisible_gain_percent=100.0 * INVISIBLE_GAIN,
        by_gain=by_gain,
        clock=clock,
        invisible_back_bar=INVISIBLE_BACK / 1e5,
        by_back=-by_back,
    )
