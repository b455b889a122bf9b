"""Suggest KEEP, DECIDE or REPEAT by stated rules; the first that applies counts, and a person decides.

REPEAT is for what only another run can give. What a file or a calibration mends is no reason to repeat.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from standbook.analysis.findings.channels import (
    BEYOND_CALIBRATION,
    CELL_FROZEN,
    CLIPPED,
    CLOCK_BENT,
    NOT_RESPONDING,
    OPEN_WIRE,
)
from standbook.analysis.findings.record_faults import HELD_VALUE
from standbook.analysis.findings.thrust import THRUST_CLIPPED, THRUST_FLAT_TOP
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.results import Results
from standbook.daq.config.plan import Plan

Word = Literal["KEEP", "DECIDE", "REPEAT"]
MOST_REASONS = 3
WITHDRAWN = (NOT_RESPONDING, BEYOND_CALIBRATION, CLIPPED, OPEN_WIRE, HELD_VALUE, CELL_FROZEN)
SATURATED = (THRUST_CLIPPED, THRUST_FLAT_TOP)


@dataclass(frozen=True, slots=True)
class Suggestion:
    """One word, and why."""

    word: Word
    reasons: tuple[str, ...]  # each says what a repeat would cure, or what is to be decided


def suggestion(
    results: Results, plan: Plan, prediction: Prediction | None, *, impulse: float | None, redlines: Sequence[str] = ()
) -> Suggestion:
    """Apply the rules.

    Parameters
    ----------
    results : Results
        Of a first analysis, before anything was weighed.
    plan : Plan
        Names the minimum data, the longest loss and the limit.
    prediction : Prediction, optional
        As locked.
    impulse : float, optional
        Provisional, at site. [N*s]
    redlines : sequence of str
        Names of the redlines that tripped.
    """
    repeat = tuple(_repeat(results, plan))
    if repeat:
        return Suggestion("REPEAT", repeat[:MOST_REASONS])
    decide = tuple(_decide(results, plan, prediction, impulse, redlines))
    if decide:
        return Suggestion("DECIDE", decide[:MOST_REASONS])
    return Suggestion("KEEP", ("the minimum data are complete",))


def _repeat(results: Results, plan: Plan) -> Iterator[str]:
    """Give reasons that only another run cures."""
    if plan.kind.fires and results.impulse is None:
        yield "no light: no thrust was found"
    elif not plan.kind.fires and results.window is None and plan.kind.gives_exponent:
        yield "no flow was found"
    if results.t_zero is None:
        yield "no T-0: nothing says when the valves were told to open"
    lost, most = _lost(results), plan.test.repeat_if_lost_longer_than
    if lost > most.value:
        yield f"{1000.0 * lost:,.0f} ms were lost between T-0 and the end, more than {most.text}"
    if any(finding.of(kind) for finding in results.findings for kind in SATURATED):
        yield "thrust was saturated: the impulse is only bounded from below"
    withdrawn = {
        finding.channel
        for finding in results.findings
        if finding.severity != "note" and any(finding.of(kind) for kind in WITHDRAWN)
    }
    for tag in plan.test.minimum_data:
        if tag in withdrawn:
            yield f"{tag}, of the minimum data, was no measurement throughout"


def _lost(results: Results) -> float:
    """Return the longest time that any stream lost between T-0 and the end. [s]."""
    end = results.window.end if results.window is not None else float("inf")
    return max(
        (
            sum(max(0.0, min(gap.end, end) - max(gap.start, 0.0)) for gap in health.gaps)
            for health in results.record.values()
        ),
        default=0.0,
    )


def _decide(
    results: Results, plan: Plan, prediction: Prediction | None, impulse: float | None, redlines: Sequence[str]
) -> Iterator[str]:
    """Give reasons that a person weighs."""
    for name in redlines:
        yield f"redline {name} tripped: see why before the next run"
    if any(health.boots > 1 for health in results.record.values()):
        yield "the board started again: times before and after do not hang together"
    if any(finding.of(CLOCK_BENT) for finding in results.findings):
        yield "the board's clock changed its rate within the record"
    if any(tare.after is None for tare in results.tare.values()):
        yield "no quiet second zero yet: keep recording until vented"
    if plan.impulse_class is not None and impulse is not None and prediction is not None:
        predicted = prediction.scalars.get("impulse")
        limit = plan.impulse_class.limit.value
        # The prediction's own spread, laid over what was measured: nothing better is known before the weighing.
        if predicted is not None and impulse * predicted.high / predicted.nominal > limit:
            yield f"the impulse is about {100.0 * impulse / limit:.0f} % of the limit: weigh before the next load"
