"""Write the quick look: five sentences of at most 120 characters on record, times, thrust, deviation and what to do.

Everything is provisional: no uncertainty, no verdict, nothing weighed. Times in seconds after T-0.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from standbook.analysis.findings.channels import CLIPPED
from standbook.analysis.findings.thrust import THRUST_CLIPPED
from standbook.analysis.quick_look.suggestion import Suggestion, Word, suggestion
from standbook.analysis.report.content.number_format import fixed, seconds
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.results import Comparison, Results, TankResult
from standbook.daq.config import measurands
from standbook.daq.config.plan import Plan

LONGEST = 120  # characters of a sentence
BAR = 1e5  # Pa
WORST = 2  # deviations that are named
ACTIONS: dict[Word, str] = {
    "KEEP": "weigh what is left, hang the check weight once released",
    "DECIDE": "look at it before anybody resets hardware",
    "REPEAT": "only another run gives it; find the cause first",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class QuickLook:
    """The five sentences of one run."""

    run: str
    rehearsal: bool
    record: str
    times: str
    measured: str
    deviation: str
    suggests: Suggestion
    impulse: float | None  # provisional, at site [N*s]

    @property
    def lines(self) -> tuple[str, ...]:
        """The sentences, numbered, each with its word before it."""
        told = (
            ("Record", self.record),
            ("Times", self.times),
            ("Measured", self.measured),
            ("Deviation", self.deviation),
            (self.suggests.word, f"{'; '.join(self.suggests.reasons)}. {ACTIONS[self.suggests.word].capitalize()}"),
        )
        return tuple(_fitted(f"{number} {word:9}", text) for number, (word, text) in enumerate(told, start=1))


def quick_look(
    results: Results, plan: Plan, prediction: Prediction | None, *, redlines: Sequence[str] = ()
) -> QuickLook:
    """Say what a first analysis gave.

    Parameters
    ----------
    results : Results
        Made before anything was weighed.
    plan, prediction
        Of the run; a prediction that is not there is said.
    redlines : sequence of str
        Names of the redlines that tripped while it was recorded.
    """
    impulse = provisional_impulse(results)
    return QuickLook(
        run=results.run,
        rehearsal=results.rehearsal,
        record=_record(results),
        times=_times(results, plan, prediction),
        measured=_thrust(results, plan, impulse) if plan.kind.fires else _tanks(results),
        deviation=_deviation(results, prediction),
        suggests=suggestion(results, plan, prediction, impulse=impulse, redlines=redlines),
        impulse=impulse,
    )


def provisional_impulse(results: Results) -> float | None:
    """Return the impulse at site with the weight by the cell's own step and the chamber's share. [N*s]."""
    if results.impulse is None:
        return None
    recipe = results.firing.recipe if results.firing is not None else None
    return results.impulse.value if recipe is None or results.impulse.lower_bound_only else recipe.impulse


def _record(results: Results) -> str:
    rows = sum(health.rows for health in results.record.values())
    lost = sum(health.lost_rows for health in results.record.values())
    clipped = sorted({f.channel or "" for f in results.findings if f.of(CLIPPED) or f.of(THRUST_CLIPPED)})
    word = "complete" if not lost else "incomplete"
    cut = f"{', '.join(clipped)} clipped" if clipped else "nothing clipped"
    source = f"T-0 by {results.t_zero.source}" if results.t_zero is not None else "no T-0"
    return f"{word}: {rows:,} of {rows + lost:,} rows, {lost:,} lost, {cut}; {source}"


def _times(results: Results, plan: Plan, prediction: Prediction | None) -> str:
    """Say when it flowed or burned, when that was predicted to end, and which side was depleted first."""
    start, stop = _span(results, plan)
    what = measurands.THRUST if plan.kind.fires else plan.kind.part
    if start is None:
        return f"no {what} was found"
    until = "the record's end" if stop is None else seconds(stop, 2)
    band = prediction.scalars.get(plan.kind.duration) if prediction is not None else None
    expected = ""
    if band is not None:
        low, high = (seconds(start + length, 1) for length in (band.low, band.high))
        expected = f" (predicted end {low})" if low == high else f" (predicted end {low} to {high})"
    return f"{what} {seconds(start, 2)} to {until}{expected}{_depleted(results, plan)}"


def _span(results: Results, plan: Plan) -> tuple[float | None, float | None]:
    """Return when thrust or flow began and ended, as far as that was found. [s]."""
    at = {event.name: event.time for event in results.events}
    if plan.kind.fires:
        return at.get("thrust start"), at.get("thrust stop")
    if results.window is None:
        return None, None
    return results.window.start, results.window.end


def _depleted(results: Results, plan: Plan) -> str:
    out = sorted((e.time, e.name.removesuffix(" run-out")) for e in results.events if e.name.endswith(" run-out"))
    if not out:
        return "; nothing was depleted" if plan.kind.fires else ""
    planned = plan.engine.run_out_first if plan.engine is not None else None
    wanted = f", planned {planned}" if planned and planned != out[0][1] else ""
    return f"; {out[0][1]} depleted first{wanted}"


def _thrust(results: Results, plan: Plan, impulse: float | None) -> str:
    if results.thrust is None or impulse is None:
        return "no thrust to sum"
    level = ", ".join(
        f"{name} {fixed(value.value, 0)} N"
        for name, value in (("peak", results.thrust.peak), ("end", results.thrust.at_end))
        if value is not None
    )
    least = "at least about" if results.impulse is not None and results.impulse.lower_bound_only else "about"
    limit = plan.impulse_class.limit.value if plan.impulse_class is not None else None
    share = f", {100.0 * impulse / limit:.0f} % of {fixed(limit, 0)}" if limit is not None else ""
    return f"{level}; impulse {least} {fixed(round(impulse, -1), 0)} N·s before weighing{share}"


def _tanks(results: Results) -> str:
    told = [_tank(name, tank) for name, tank in results.tanks.items()]
    return "; ".join(told) if told else "no tank's pressure could be read"


def _tank(name: str, tank: TankResult) -> str:
    if tank.start_pressure is None or tank.end_pressure is None:
        return f"{name} tank: start or end was not found"
    start, end = (f"{pressure.value / BAR:.2f} bar(a)" for pressure in (tank.start_pressure, tank.end_pressure))
    return f"{name} tank from {start} to {end}"


def _deviation(results: Results, prediction: Prediction | None) -> str:
    if prediction is None:
        return "no prediction to compare with"
    outside = [(name, item) for name, item in results.comparison.items() if item.worst_departure > 1.0]
    if not results.comparison:
        return "nothing could be held against the prediction"
    if not outside:
        return "everything stayed inside its predicted band"
    outside.sort(key=lambda pair: -pair[1].worst_departure)
    return "; ".join(_departure(name, item) for name, item in outside[:WORST])


def _departure(name: str, item: Comparison) -> str:
    side = {True: " above", False: " below", None: " off"}[item.above]
    quantity, _, tank = name.partition("/")
    what = f"{tank} tank" if quantity == measurands.TANK_PRESSURE and tank else name.replace("/", ", ")
    return f"{what} {item.worst_departure:.1f} band half-widths{side} at {seconds(item.at, 1)}"


def _fitted(head: str, text: str) -> str:
    """Cut a sentence at a word where it is longer than a line may be."""
    line = f"{head} {text}."
    if len(line) <= LONGEST:
        return line
    return f"{line[: LONGEST - 2].rsplit(' ', 1)[0].rstrip(';,')} …"
