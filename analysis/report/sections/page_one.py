"""Page one: what a signatory must see, on exactly one sheet. Builds the view; the template sets it.

A firing's page one carries the class verdict; a cold flow's carries CdA and the exponent, and no verdict.
"""

import re
from collections.abc import Mapping
from dataclasses import dataclass

from markupsafe import Markup

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Cell, Register, Section
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.figures import figures
from standbook.analysis.report.sections import firing_sections, record_sections, run_sections
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results, TankResult

TOP_FINDINGS = 3
COVERAGE_FACTOR = 2.0  # of what page one prints besides the impulse: about 95 % for a normal distribution
LETTER_CLASS = re.compile(r"\b[A-Za-z]\b\s*(?:$|[,;:)(])|\b(?:class|type|letter)\s+[A-Z]\b", re.IGNORECASE)
NO_SIGNATURE_REHEARSAL = (
    "REHEARSAL. Every number on this page comes from a made-up stand. There is nothing to sign and nothing to file."
)
NO_SIGNATURE = "Not offered for signature."


@dataclass(frozen=True, slots=True)
class VerdictCard:
    """One verdict in large words."""

    outcome: str  # a class of the stylesheet
    word: str
    place: str
    sentence: str
    probability: str
    share: str


@dataclass(frozen=True, slots=True)
class BigNumber:
    """One result in large figures."""

    label: str
    value: Cell
    note: str


@dataclass(frozen=True, slots=True)
class PageOne:
    """Everything on the first sheet."""

    title: str
    big: tuple[BigNumber, ...]
    headline: str
    verdicts: tuple[VerdictCard, ...]
    wide: Markup | None  # a figure across the sheet: impulse against the limit, or tank pressure
    thumbnail: Markup | None
    thumbnail_caption: str
    facts: tuple[tuple[str, Cell], ...]
    not_covered: str
    prediction: str
    findings_count: str
    top_findings: tuple[tuple[int, str, str], ...]
    more_findings: int
    signature: bool
    no_signature: str
    caution: str


def page_one(results: Results, curves: Mapping[str, Curve], context: ReportContext, register: Register) -> PageOne:
    """Build the first sheet."""
    firing = results.kind == "static fire"
    above = [
        (number, record_sections.FINDING_WORDS[finding.severity], finding.text)
        for number, finding in enumerate(register.findings, start=1)
        if finding.severity != "note"
    ]
    signature = context.signature_allowed and not results.rehearsal
    return PageOne(
        title=sentences.title(results),
        big=_impulse_number(results, context, register) if firing else _flow_numbers(results, register),
        headline=sentences.headline(results) if firing else _flow_headline(results),
        verdicts=_verdicts(results) if firing else (),
        wide=_ruler(results) if firing else _first_pressure(results, curves),
        thumbnail=_markup(figures.thrust_thumbnail(curves, results.window)) if firing else None,
        thumbnail_caption="Thrust; shaded: what is summed.",
        facts=_facts(results, context, firing, register),
        not_covered=sentences.NOT_COVERED_FIRING if firing else sentences.NOT_COVERED_FLOW,
        prediction=sentences.prediction_sentence(results, context),
        findings_count=sentences.findings_count(results.findings),
        top_findings=tuple(above[:TOP_FINDINGS]),
        more_findings=max(0, len(above) - TOP_FINDINGS),
        signature=signature,
        no_signature=NO_SIGNATURE_REHEARSAL if results.rehearsal else NO_SIGNATURE,
        caution=sentences.CAUTION_LINE,
    )


def evidence(
    results: Results, curves: Mapping[str, Curve], context: ReportContext, register: Register
) -> tuple[Section, ...]:
    """Build the sections behind page one, in reading order."""
    run: tuple[Section, ...] = ()
    if results.kind == "static fire":
        run = (
            run_sections.thrust(results, curves, context, register),
            run_sections.events(results, register),
            run_sections.load_cell(results, curves, context, register),
            run_sections.impulse(results, curves, context, register),
            run_sections.tanks(results, curves, context, register),
            run_sections.engine(results, curves, context, register),
            *firing_sections.detail(results, curves, context, register),
        )
    else:
        run = (run_sections.tanks(results, curves, context, register), run_sections.events(results, register))
    return (
        *run,
        run_sections.comparison(results, context, register),
        record_sections.findings(results, register),
        record_sections.calibrations(results, context, register),
        record_sections.health(results),
        record_sections.plan(context),
        record_sections.recompute(results, context),
        record_sections.cautions(),
        record_sections.hashes(results, context),
    )


def _impulse_number(results: Results, context: ReportContext, register: Register) -> tuple[BigNumber, ...]:
    impulse = results.impulse
    label = "Total impulse at site ambient"
    if impulse is None:
        return (BigNumber(label, register.why(*context.stand.thrust_tags), ""),)
    expanded = number_format.show(Measured(impulse.value, impulse.expanded, impulse.unit))
    note = f"k = {number_format.plain(impulse.coverage_factor, 3)}; {number_format.pound_force_seconds(impulse.value)}"
    if impulse.lower_bound_only:
        label = "Recorded part of the impulse: a lower bound"
    return (BigNumber(label, expanded.plus_minus, note),)


def _flow_numbers(results: Results, register: Register) -> tuple[BigNumber, ...]:
    if not results.tanks:
        return (BigNumber("CdA", register.why(), ""),)
    name, tank = next(iter(results.tanks.items()))
    exponent = tank.exponent
    chosen = (
        ("Flow area CdA", tank.cda),
        ("Exponent n, chord", exponent.chord if exponent else None),
        ("Expelled mass", tank.expelled_mass),
    )
    return tuple(
        BigNumber(label, _expanded(measured), "k = 2") if measured else BigNumber(label, register.why(name), "")
        for label, measured in chosen
    )


def _flow_headline(results: Results) -> str:
    if not results.tanks:
        return "No tank was analysed."
    name, tank = next(iter(results.tanks.items()))
    window = _window_words(tank)
    side = f"{name.capitalize()} side, {window}"
    if any(finding.severity == "serious" for finding in results.findings):
        return f"{side}; not to be used as it is, the findings say why."
    return f"{side}; about 95 % coverage. CdA rests on no gas law."


def _window_words(tank: TankResult) -> str:
    if tank.window is None:
        return "(window not known)"
    return f"from {number_format.seconds(tank.window[0], 2)} to {number_format.seconds(tank.window[1], 2)}"


def _verdicts(results: Results) -> tuple[VerdictCard, ...]:
    cards = []
    for place, verdict in results.verdicts.items():
        impulse = results.impulse_vacuum if place == "vacuum" else results.impulse
        share = ""
        if impulse is not None and verdict.upper_bound is not None and not LETTER_CLASS.search(verdict.limit_name):
            share = f"{number_format.percent(impulse.value / verdict.limit)} of the limit"
        cards.append(
            VerdictCard(
                outcome=verdict.outcome.replace(" ", "-"),
                word=sentences.OUTCOME_WORDS[verdict.outcome],
                place=sentences.PLACES.get(place, place),
                sentence=sentences.verdict_sentence(place, verdict, impulse),
                probability=sentences.probability_sentence(verdict),
                share=share,
            )
        )
    return tuple(cards)


def _ruler(results: Results) -> Markup | None:
    impulses = {"site": results.impulse, "vacuum": results.impulse_vacuum}
    # A number that is not held against the limit is not drawn beside it either.
    rows = [
        (place, impulse, verdict)
        for place, impulse in impulses.items()
        if impulse is not None and (verdict := results.verdicts.get(place)) and verdict.lower_bound is not None
    ]
    return _markup(figures.ruler(rows))


def _first_pressure(results: Results, curves: Mapping[str, Curve]) -> Markup | None:
    tank = next(iter(results.tanks), None)
    return _markup(figures.first_pressure(curves, tank, results.tanks[tank].window)) if tank else None


def _markup(svg: str | None) -> Markup | None:
    return Markup(svg) if svg else None  # noqa: S704 - drawn by us


def _facts(results: Results, context: ReportContext, firing: bool, register: Register) -> tuple[tuple[str, Cell], ...]:
    plan, stand = context.plan, context.stand
    if results.t_zero is not None:
        u = number_format.milliseconds(results.t_zero.u)
        equals = "= " if u[0].isdigit() else ""
        when = sentences.stamp(results.t_zero.time)
        clock = "the laptop's clock"
        if context.time_scale != 1.0:
            clock = f"a clock {number_format.plain(context.time_scale)} times as fast as the laptop's"
        date: Cell = f"{when} by {clock}; {results.t_zero.source}, u {equals}{u} on the device's clock"
    else:
        date = register.why()
    geometry = f"{results.stand}, nozzle {stand.nozzle}, tanks {'on' if stand.tanks_on_cell else 'off'} the load cell"
    # Masses first: the page cuts a long line at its end.
    loads = " and ".join(f"{number_format.show(tank.load).with_u} {tank.name}" for tank in plan.tanks)
    loads += ": " + "; ".join(tank.liquid for tank in plan.tanks)
    facts: list[tuple[str, Cell]] = [
        ("T-0", date),
        ("Stand", geometry if firing else results.stand),
        ("Load", loads),
        ("Ambient", f"{number_format.show(plan.ambient_pressure, 'a').with_u}"),
    ]
    if firing:
        name = next((verdict.limit_name for verdict in results.verdicts.values()), plan.limit_name or "none named")
        limit = next((verdict.limit for verdict in results.verdicts.values()), plan.limit)
        facts.append(("Limit", f"{name}: {number_format.fixed(limit, 0)} N·s" if limit is not None else name))
        facts.append(("Guard band", sentences.guard_sentence(context)))
        facts.append(("Load control", plan.load_control or "none stated"))
    else:
        facts += _flow_facts(results, context, register)
    facts += [
        ("Prediction", sentences.prediction_sentence(results, context)),
        ("Software", f"{results.software}, analysis revision {results.revision}"),
        ("Manifest", Markup('<span class="hash">{}</span>').format(context.manifest_sha256)),
    ]
    return tuple(facts)


def _flow_facts(results: Results, context: ReportContext, register: Register) -> list[tuple[str, Cell]]:
    facts: list[tuple[str, Cell]] = []
    for name, tank in results.tanks.items():
        exponent = tank.exponent
        words: Cell = register.why(name)
        if exponent is not None:
            words = f"{_expanded(exponent.start)} at the start, drift {_expanded(exponent.drift)} (k = 2)"
        facts.append(("Exponent", words))
        cross: Cell = f"{_expanded(tank.cda_joint)} (k = 2)" if tank.cda_joint else register.why(name)
        facts.append(("CdA, joint fit", cross))
        for planned in context.plan.tanks:
            if planned.name == name:
                facts.append(("CdA, expected", f"{number_format.show(planned.cda).with_u}, {planned.cda_basis}"))
    for quantity, item in results.comparison.items():
        share = number_format.percent(item.share_in_band, 0)
        facts.append(("Comparison", f"{quantity.replace('/', ', ')}: inside the predicted band {share} of the time"))
    return facts


def _expanded(measured: Measured) -> str:
    return number_format.show_expanded(measured, COVERAGE_FACTOR).plus_minus
