"""What a worked-out sheet says, a sentence each: for the terminal and the page."""

from collections.abc import Sequence
from dataclasses import dataclass

from standbook.analysis.calibration.level_fit import FEWEST_RUNS, JUDGED_SCATTER, stray_readings
from standbook.analysis.calibration_sheet.against_last import LIMIT, MISSED, AgainstLast, sheet_u
from standbook.analysis.calibration_sheet.calibrate import Calibrated, run_that_differs
from standbook.analysis.calibration_sheet.reach import ExpectedReading, reach_caution
from standbook.analysis.calibration_sheet.reference_claim import in_unit_of
from standbook.analysis.report.content.number_format import two_digits
from standbook.analysis.stand_checks.unit_ratio import Dimension, names_near
from standbook.daq.quantity import dimension_of

NOTHING = 1e-6  # of span: less is rounding of the arithmetic, for no converter tells it; judgement
FACTOR_FROM = 0.1  # of the span: a smaller shift is no factor of a unit or part; judgement
FACTOR_U = 3e-3  # relative, at least: how near a factor a shift must lie; judgement
TENS = (10.0, 100.0, 1000.0)
ALLOWED_SHARE = 0.5  # of what the objective allows, that a calibration may take


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """Sentences about one sheet."""

    result: str
    surely_seen: str
    comparison: str  # with the last revision
    cautions: tuple[str, ...]  # what this calibration will not hold for
    review: tuple[str, ...]  # what needs a person's eyes
    notes: tuple[str, ...]


def plain_unit(unit: str) -> str:
    """Return a unit without its pressure reference, for differences and uncertainties."""
    return unit.partition("(")[0]


def percent(share: float) -> str:
    """Write a share in percent, two significant digits."""
    return f"{two_digits(100.0 * share)} %"


def sentences(c: Calibrated, revision: str, expected: Sequence[ExpectedReading] = ()) -> Said:
    """Say what a sheet gives; ``expected`` is what plans expect the sensor to read."""
    caution = reach_caution(c, expected)
    return Said(
        result=_result(c, revision),
        surely_seen=_surely_seen(c),
        comparison=_comparison(c),
        cautions=() if caution is None else (caution,),
        review=tuple(_review(c)),
        notes=tuple(_notes(c)),
    )


def _result(c: Calibrated, revision: str) -> str:
    at, of = c.reading_u(c.at), plain_unit(c.unit)
    curve = "straight line" if c.fit.coefficients.size == 2 else "parabola"
    runs = "1 run" if c.levels.runs == 1 else f"{c.levels.runs} runs"
    return (
        f"{c.sheet.tag} {revision}: {curve} through {c.levels.signal.size} readings of {runs}; at {c.at:.4g} {c.unit} "
        f"u = {two_digits(at.u)} {of}, {percent(at.u / c.span)} of span, mostly {_from(at.terms[0].source)}."
    )


def _from(source: str) -> str:
    if source.startswith("from "):
        return source
    return f"from the {source}" if source == "reference" else f"from {source}"


def seen(share: float, text: str) -> str:
    """Return what is written of a difference, or that none is seen where it is rounding; ``share`` of span."""
    return text if abs(share) > NOTHING else "none seen"


def _more(difference: float, unit: str, share: float) -> str:
    """Say by how much something reads more or less; ``share`` of span."""
    if abs(share) <= NOTHING:
        return "the same"
    return f"{two_digits(abs(difference))}{unit} {'less' if difference < 0.0 else 'more'}"


def _surely_seen(c: Calibrated) -> str:
    one = sheet_u(c.fit.run_scatter, c.fit.run_spans.size)
    seen = (LIMIT + MISSED) * 2.0**0.5 * one
    return (
        f"Surely seen by the next sheet with {c.sheet.reference.serial}: a span that moved by {percent(seen)}; drift "
        f"of {c.sheet.reference.serial} itself stays hidden."
    )


def _comparison(c: Calibrated) -> str:
    against = c.comparison
    if against is None:
        return "No earlier revision to hold it against."
    word = "differs from" if against.differs else "agrees with"
    zero = ""
    if against.zero_shift is not None:
        zero = f", and {_more(against.zero_shift, ' ' + plain_unit(c.unit), against.zero_shift / c.span)} at zero"
    return (
        f"{c.sheet.sensor.state.capitalize()} it {word} {against.revision}, which at the same levels reads "
        f"{_more(100 * against.span_shift, ' % of span', against.span_shift)}{zero} ({against.which}: a span that "
        f"moved by {percent(against.limit)} counts, one by {percent(against.surely_seen)} is surely seen)."
        f"{_factor(c, against)}"
    )


def _factor(c: Calibrated, against: AgainstLast) -> str:
    """Say the factor between both spans where it is near one that a unit, a part or a supply makes."""
    dimension, ratio = dimension_of(c.unit), against.ratio
    if ratio is None or abs(against.span_shift) < FACTOR_FROM:
        return ""
    of: Dimension = "force" if dimension == "force" else "pressure" if dimension == "pressure" else "electrical"
    u = max(against.span_u, FACTOR_U)
    size = max(ratio, 1.0 / ratio)
    near = [name for name in names_near(ratio, u, of) if "twice" not in name]
    if not near and not any(abs(size / factor - 1.0) <= LIMIT * u for factor in (2.0, *TENS)):
        return ""
    named = f", near {near[0]}" if near else ""
    way = "more" if ratio > 1.0 else "less"
    sensor = "cell" if dimension == "force" else "sensor"
    return f" For one signal it reads {way} by a factor of {size:#.3g}{named}: another {sensor}, unit or supply?"


def _review(c: Calibrated) -> list[str]:
    found = []
    against, state = c.comparison, c.sheet.sensor.state
    if against is not None and against.differs and state == "as found":
        found.append(
            f"Every run since the last good check of {c.sheet.tag} is in question: {_effect(c, against)}. Their "
            "results stay; plans to come name the new revision."
        )
    run = run_that_differs(c)
    if run is not None:
        found.append(
            f"Run {run} has another span than the others by more than {LIMIT:g} x {100.0 * JUDGED_SCATTER:g} %."
        )
    found += _stray(c)
    back = c.terms.zero_return
    if back is not None and 0.0 < LIMIT * c.sources.zero < abs(back):
        by = f"{two_digits(back, signed=True)} {plain_unit(c.unit)}"
        found.append(f"Zero came back by {by}, more than {LIMIT:g} times its u of {two_digits(c.sources.zero)}.")
    return found + _not_good_enough(c)


def _effect(c: Calibrated, against: AgainstLast) -> str:
    """Say what a sensor that moved does to results: CdA goes with one over the root of the pressure."""
    dimension, ratio = dimension_of(c.unit), against.ratio
    what = {"pressure": "pressures", "force": "impulses"}.get(dimension, "readings")
    if ratio is None:
        return f"{what} by the new one have the other sign than by {against.revision}"
    by = f"{what} by the new one are {_higher(ratio)} than by {against.revision}"
    return f"{by}, each CdA {_higher(ratio**-0.5)}" if dimension == "pressure" else by


def _higher(ratio: float) -> str:
    share = ratio - 1.0
    if abs(share) <= NOTHING:
        return "no higher"
    return f"{percent(abs(share))} {'higher' if share > 0.0 else 'lower'}"


def _stray(c: Calibrated) -> list[str]:
    """Name readings that lie apart: a number copied wrongly, a level that was not held."""
    found = []
    places = [(run, place) for run, of in enumerate(c.sheet.run, 1) for place in range(1, len(of.readings) + 1)]
    for number, distance in stray_readings(c.levels, c.fit):
        if abs(c.fit.residual[number]) <= NOTHING * c.span:
            continue
        run, place = places[number]
        level = c.sheet.levels[number].text
        found.append(
            f'Run {run}, reading {place}, "{level}", lies {distance:.1f} deviations from the curve through all others: '
            "compare it with what was written down; nothing was left out."
        )
    return found


def _not_good_enough(c: Calibrated) -> list[str]:
    allowed = c.sheet.good_for.allowed if c.sheet.good_for is not None else None
    if allowed is None:
        return []
    if c.reading_u(c.at).u <= ALLOWED_SHARE * in_unit_of(allowed, c.unit, "good_for.allowed"):
        return []
    return [
        f"u at {c.at:.4g} {c.unit} is more than half of the {allowed.text} that the objective allows; "
        f"it comes mostly {_from(c.reading_u(c.at).terms[0].source)}."
    ]


def _notes(c: Calibrated) -> list[str]:
    notes = [f"{words[0].upper()}{words[1:]}." for words in (*c.applied.words, c.claim.words)]
    if c.levels.runs < FEWEST_RUNS:
        missing = "a third run" if c.levels.runs == 2 else "a second and a third run"
        notes.append(
            f"From run to run {100.0 * JUDGED_SCATTER:g} % of span is taken by judgement; {missing} would mend it."
        )
    if c.sources.zero == 0.0 and not c.sources.tared:
        notes.append("Nobody stated how far zero moves between calibrations: add sensor.zero_uncertainty.")
    unmeasured = {"creep": c.sheet.creep is not None, "zero by temperature": bool(c.sheet.zero_at)}
    if absent := [name for name, is_there in unmeasured.items() if not is_there]:
        notes.append(f"Not measured, so not in u: {' and '.join(absent)}.")
    against = c.comparison
    if against is not None and not against.differs:
        notes.append(f"A plan may keep {against.revision}: results need not follow the noise of calibrations.")
    if c.last is not None and c.date < c.last.date:
        notes.append(f"The sheet is of {c.date}, before {c.last.revision} of {c.last.date}.")
    if c.last is not None and c.last.stand_interaction.known:
        notes.append(
            f"The load path is carried over from {c.last.revision}, whose readings its pull was made with: pull again."
        )
    return notes
