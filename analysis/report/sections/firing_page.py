"""Build page one and the evidence of a firing: impulse, verdict, limit."""

import re

from markupsafe import Markup

from standbook.analysis.findings.thrust import NOZZLE_NOT_FULL
from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Register, Section
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.figures import figures
from standbook.analysis.report.figures.ruler import ruler
from standbook.analysis.report.sections import firing_sections, run_sections, tank_sections, verdict_section
from standbook.analysis.report.sections.page_parts import (
    BigNumber,
    Curves,
    Fact,
    PageParts,
    VerdictCard,
    about_bar,
    markup,
)
from standbook.analysis.results.results import ImpulseResult, Results

LETTER_CLASS = re.compile(r"\b[A-Za-z]\b\s*(?:$|[,;:)(])|\b(?:class|type|letter)\s+[A-Z]\b", re.IGNORECASE)
THRUST_ENDS = "end of thrust"  # name of the event
AT_MOST = ", an upper bound"  # where the nozzle was not full
MOST_FACT, PLAN_SECTION = 130, "More: Plan, loads and people."  # characters that fit; where the whole text is


def _impulse_number(results: Results, context: ReportContext, register: Register) -> tuple[BigNumber, ...]:
    impulse = results.impulse
    label = "Total impulse at site ambient"
    if impulse is None:
        return (BigNumber(label, register.why(*context.stand.thrust_tags), ""),)
    if impulse.lower_bound_only:
        label = "Recorded part of the impulse: a lower bound"
    site = BigNumber(label, sentences.two_armed(impulse), _small(impulse))
    vacuum = results.impulse_vacuum
    if vacuum is None or "vacuum" not in results.verdicts:
        return (site,)
    label = "Total impulse referred to vacuum"
    if vacuum.lower_bound_only:
        label = "Recorded part referred to vacuum: a lower bound"
    elif _at_most(results):
        label += AT_MOST
    return (site, BigNumber(label, sentences.two_armed(vacuum), _small(vacuum)))


def _small(impulse: ImpulseResult) -> str:
    return f"k = {number_format.plain(impulse.coverage_factor, 3)}; {number_format.pound_force_seconds(impulse.value)}"


def _at_most(results: Results) -> bool:
    return any(finding.of(NOZZLE_NOT_FULL) for finding in results.findings)


def _verdicts(results: Results) -> tuple[VerdictCard, ...]:
    cards = []
    at_most = _at_most(results)
    for place, verdict in results.verdicts.items():
        impulse = sentences.impulse_at(place, results)
        share = ""
        if impulse is not None and verdict.upper_bound is not None and not LETTER_CLASS.search(verdict.limit_name):
            share = f"{number_format.percent(impulse.value / verdict.limit)} of the limit"
        cards.append(
            VerdictCard(
                outcome=verdict.outcome.replace(" ", "-"),
                word=sentences.OUTCOME_WORDS[verdict.outcome],
                place=sentences.PLACES.get(place, place) + (AT_MOST if at_most and place == "vacuum" else ""),
                sentence=sentences.unplaced(sentences.verdict_sentence(place, results)),
                probability=sentences.probability_sentence(verdict),
                share=share,
            )
        )
    return tuple(cards)


def _ruler(results: Results, *, narrow: bool) -> Markup | None:
    impulses = {"site": results.impulse, "vacuum": results.impulse_vacuum}
    # A number that is not held against the limit is not drawn beside it either.
    rows = [
        (place, impulse, verdict)
        for place, impulse in impulses.items()
        if impulse is not None and (verdict := results.verdicts.get(place)) and verdict.lower_bound is not None
    ]
    return markup(ruler(rows, narrow=narrow))


def _thumbnail(results: Results, curves: Curves) -> Markup | None:
    peak = results.thrust.peak if results.thrust else None
    told = f"peak {number_format.show(peak).with_u}" if peak else ""
    return markup(figures.thrust_thumbnail(curves, results.window, headline=told))


def _stand(results: Results, context: ReportContext) -> str:
    stand = context.stand
    return f"{results.stand}, nozzle {stand.nozzle}, tanks {'on' if stand.tanks_on_cell else 'off'} the load cell"


def _facts(results: Results, context: ReportContext, _: Register) -> tuple[Fact, ...]:
    plan = context.plan
    name = next((verdict.limit_name for verdict in results.verdicts.values()), plan.limit_name or "none named")
    limit = next((verdict.limit for verdict in results.verdicts.values()), plan.limit)
    return (
        ("Limit", f"{name}: {number_format.fixed(limit, 0)} N·s" if limit is not None else name),
        ("Guard band", sentences.guard_sentence(context)),
        ("Load control", sentences.shortened(plan.load_control or "none stated", MOST_FACT, PLAN_SECTION)),
    )


def _summary(results: Results, context: ReportContext) -> tuple[str, str, str]:
    """Say what happened, whether a limit was passed, and whether it is over."""
    motor = f"In the run {results.run} one rocket motor, {results.article}, was on the stand"
    if results.rehearsal:
        motor = f"In the rehearsal {results.run} nothing was fired: a simulated motor, {results.article}, was recorded"
    burned = "the record does not say whether it burned"
    if results.impulse is not None:
        burned = "it burned"
        if results.burn_time is not None:
            burned += f" for {number_format.fixed(results.burn_time.value, 1)} s"
    if results.rehearsal:
        return f"{motor}.", _limit_words(results, context), sentences.NOTHING_THERE
    return f"{motor}; {burned}.", _limit_words(results, context), _end_words(results)


def _limit_words(results: Results, context: ReportContext) -> str:
    limit = next((verdict.limit for verdict in results.verdicts.values()), context.plan.limit)
    if limit is None:
        return "No limit was set for its total impulse."
    said = f"the limit of {number_format.fixed(limit, 0)} N·s"
    if results.worst_outcome == "within":
        on = "by this record, and on what page one says that it rests on"
        return f"Its total impulse was not over {said}, {on}; nothing else is held against a limit here."
    if results.worst_outcome == "exceeds":
        return f"Its total impulse was over {said}."
    return f"The record does not show whether its total impulse was over {said}."


def _end_words(results: Results) -> str:
    """Say when thrust ended and what the tanks held then; of the time after it the record knows nothing."""
    ended = next((event.time for event in results.events if event.name == THRUST_ENDS), None)
    when = "The record does not say when thrust ended"
    if ended is not None:
        when = f"Thrust ended {number_format.fixed(ended, 1)} s after T-0"
    held = " and ".join(
        f"{about_bar(tank.end_pressure)} ({name})"
        for name, tank in results.tanks.items()
        if tank.end_pressure is not None
    )
    left = f", when the tanks still held {held}" if held else ""
    return f"{when}{left}; whether they are vented since, this report does not say: ask the crew."


def _sections(results: Results, curves: Curves, context: ReportContext, register: Register) -> tuple[Section, ...]:
    return (
        run_sections.thrust(results, curves, context, register),
        run_sections.impulse(results, curves, context, register),
        *verdict_section.verdict(results),
        tank_sections.tanks(results, curves, context, register),
        run_sections.engine(results, curves, context, register),
        *firing_sections.stability(results, curves),
        *firing_sections.masses(results),
    )


FIRING_PAGE = PageParts(
    big=_impulse_number,
    headline=lambda results: f"{sentences.headline(results)} {sentences.deciding_sentence(results)}".rstrip(),
    verdicts=_verdicts,
    summary=_summary,
    wide=lambda results, _, narrow: _ruler(results, narrow=narrow),
    thumbnail=_thumbnail,
    stand=_stand,
    facts=_facts,
    checks=sentences.checks_sentence,
    not_covered=sentences.NOT_COVERED_FIRING,
    sections=_sections,
)
