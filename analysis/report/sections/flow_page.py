"""Build page one and the evidence of a cold flow: CdA and exponent, no verdict."""

from markupsafe import Markup

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Cell, Register, Section
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.figures import figures
from standbook.analysis.report.sections import run_sections, tank_sections
from standbook.analysis.report.sections.page_parts import (
    BigNumber,
    Curves,
    Fact,
    PageParts,
    about_bar,
    expanded,
    markup,
)
from standbook.analysis.results.results import Results, TankResult


def _flow_numbers(results: Results, _: ReportContext, register: Register) -> tuple[BigNumber, ...]:
    if not results.tanks:
        return (BigNumber("CdA", register.why(), ""),)
    name, tank = next(iter(results.tanks.items()))
    exponent = tank.exponent
    chosen = (
        ("Flow area CdA", tank.cda),
        ("Exponent n, mean (start to end)", exponent.chord if exponent else None),
        ("Expelled mass", tank.expelled_mass),
    )
    return tuple(
        BigNumber(label, expanded(measured), "k = 2") if measured else BigNumber(label, register.why(name), "")
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


def _first_pressure(results: Results, curves: Curves, narrow: bool) -> Markup | None:
    name, tank = next(iter(results.tanks.items()), ("", None))
    if tank is None:
        return None
    ends = [number_format.show(end, "a").with_u for end in (tank.start_pressure, tank.end_pressure) if end is not None]
    return markup(figures.first_pressure(curves, name, tank.window, narrow=narrow, headline=" to ".join(ends)))


def _summary(results: Results, context: ReportContext) -> tuple[str, str, str]:
    """Say what happened, whether a limit was passed, and whether it is over."""
    name, tank = next(iter(results.tanks.items()), ("", None))
    liquid = next((planned.liquid for planned in context.plan.tanks if planned.name == name), "liquid")
    motor = "a simulated tank was emptied" if results.rehearsal else "a tank was emptied by gas, no motor was fired"
    which = "rehearsal" if results.rehearsal else "run"
    amount = "how much left it the record does not say"
    if tank is not None and tank.expelled_mass is not None:
        amount = f"{number_format.show(tank.expelled_mass).with_unit} of {liquid} left the {name} tank"
    held = "The record does not say what pressure was left"
    if tank is not None and tank.end_pressure is not None:
        held = f"When the flow ended the tank still held {about_bar(tank.end_pressure)}"
    over = f"{held}; whether it is vented since, this report does not say: ask the crew."
    return (
        f"In the {which} {results.run} {motor}; {amount}.",
        "No limit was set for this test, so nothing was held against one.",
        sentences.NOTHING_THERE if results.rehearsal else over,
    )


def _flow_facts(results: Results, context: ReportContext, register: Register) -> tuple[Fact, ...]:
    facts: list[Fact] = []
    for name, tank in results.tanks.items():
        exponent = tank.exponent
        words: Cell = register.why(name)
        if exponent is not None:
            words = f"{expanded(exponent.start)} at the start, drift {expanded(exponent.drift)} (k = 2)"
        facts.append(("Exponent", words))
        cross: Cell = f"{expanded(tank.cda_joint)} (k = 2)" if tank.cda_joint else register.why(name)
        facts.append(("CdA, joint fit", cross))
        for planned in context.plan.tanks:
            if planned.name == name:
                facts.append(("CdA, expected", f"{number_format.show(planned.cda).with_u}, {planned.cda_basis}"))
    for quantity, item in results.comparison.items():
        share = number_format.percent(item.share_in_band, 0)
        facts.append(("Comparison", f"{quantity.replace('/', ', ')}: inside the predicted band {share} of the time"))
    return tuple(facts)


def _sections(results: Results, curves: Curves, context: ReportContext, register: Register) -> tuple[Section, ...]:
    return (tank_sections.tanks(results, curves, context, register), run_sections.event_section(results, register))


FLOW_PAGE = PageParts(
    big=_flow_numbers,
    headline=_flow_headline,
    verdicts=lambda _: (),
    summary=_summary,
    wide=_first_pressure,
    thumbnail=lambda _, __: None,
    stand=lambda results, _: results.stand,
    facts=_flow_facts,
    checks=lambda _: "",
    not_covered=sentences.NOT_COVERED_FLOW,
    sections=_sections,
)
