"""Build page one and the evidence of a firing: impulse, verdict, limit."""

import re

from markupsafe import Markup

from standbook.analysis.findings.thrust import NOZZLE_NOT_FULL
from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Register, Section
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.figures import figures
from standbook.analysis.report.figures.ruler import ruler
from standbook.analysis.report.sections import firing_sections, run_sections
from standbook.analysis.report.sections.page_parts import BigNumber, Curves, Fact, PageParts, VerdictCard, markup
from standbook.analysis.results.results import ImpulseResult, Results

LETTER_CLASS = re.compile(r"\b[A-Za-z]\b\s*(?:$|[,;:)(])|\b(?:class|type|letter)\s+[A-Z]\b", re.IGNORECASE)
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
        impulse = results.impulse_vacuum if place == "vacuum" else results.impulse
        share = ""
        if impulse is not None and verdict.upper_bound is not None and not LETTER_CLASS.search(verdict.limit_name):
            share = f"{number_format.percent(impulse.value / verdict.limit)} of the limit"
        cards.append(
            VerdictCard(
                outcome=verdict.outcome.replace(" ", "-"),
                word=sentences.OUTCOME_WORDS[verdict.outcome],
                place=sentences.PLACES.get(place, place) + (AT_MOST if at_most and place == "vacuum" else ""),
                sentence=sentences.unplaced(sentences.verdict_sentence(place, verdict, impulse)),
                probability=sentences.probability_sentence(verdict),
                share=share,
            )
        )
    return tuple(cards)


def _ruler(results: Results, *, narrow: bool = False) -> Markup | None:
    impulses = {"site": results.impulse, "vacuum": results.impulse_vacuum}
    # A number that is not held against the limit is not drawn beside it either.
    rows = [
        (place, impulse, verdict)
        for place, impulse in impulses.items()
        if impulse is not None and (verdict := results.verdicts.get(place)) and verdict.lower_bound is not None
    ]
    return markup(ruler(rows, narrow=narrow))


def _thumbnail(results: Results, curves: Curves) -> Markup | None:
    return markup(figures.thrust_thumbnail(curves, results.window))


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


def _sections(results: Results, curves: Curves, context: ReportContext, register: Register) -> tuple[Section, ...]:
    return (
        run_sections.thrust(results, curves, context, register),
        run_sections.events(results, register),
        run_sections.load_cell(results, curves, context, register),
        run_sections.impulse(results, curves, context, register),
        run_sections.tanks(results, curves, context, register),
        run_sections.engine(results, curves, context, register),
        *firing_sections.detail(results, curves, context, register),
    )


FIRING_PAGE = PageParts(
    big=_impulse_number,
    headline=lambda results: f"{sentences.headline(results)} {sentences.deciding_sentence(results)}".rstrip(),
    verdicts=_verdicts,
    wide=lambda results, _: _ruler(results),
    wide_narrow=lambda results: _ruler(results, narrow=True),
    thumbnail=_thumbnail,
    stand=_stand,
    facts=_facts,
    checks=sentences.checks_sentence,
    not_covered=sentences.NOT_COVERED_FIRING,
    sections=_sections,
)
