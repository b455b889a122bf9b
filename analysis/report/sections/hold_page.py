"""Build page one and the evidence of a pressure hold: a verdict a tank, a rate with what such a hold sees."""

from markupsafe import Markup

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Block, Cell, Register, Section, Table, Text, beside, picture
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.figures import figures
from standbook.analysis.report.sections.page_parts import BigNumber, Curves, Fact, PageParts, about_bar, markup
from standbook.analysis.results.hold_results import PER_MINUTE, HoldResult
from standbook.analysis.results.results import Results

NOT_COVERED_HOLD = (
    "A hold of gas at working pressure shows what leaves at that pressure and temperature, on that day. It is no proof "
    "of strength: a proof is hydrostatic, made and signed by whoever the code licenses. Nothing here says what another "
    "gas, a cold line or oxygen would do."
)


def grams(value: float) -> str:
    """Write a mass rate in grams a minute."""
    return f"{value * PER_MINUTE:.3g} g/min".replace("-", number_format.MINUS)


def _big(results: Results, _: ReportContext, register: Register) -> tuple[BigNumber, ...]:
    if not results.holds:
        return (BigNumber("Leak rate", register.why(), ""),)
    return tuple(
        BigNumber(
            f"Leak rate, {name}",
            register.why(name) if hold.rate is None else f"{grams(hold.rate.value)} ± {grams(hold.rate.u)}",
            "" if hold.detection_limit is None else f"u; seen from {grams(hold.detection_limit)} on",
        )
        for name, hold in results.holds.items()
    )


def _headline(results: Results) -> str:
    if not results.holds:
        return "No hold was shown."
    return " ".join(f"{name.capitalize()}: {hold.sentence}." for name, hold in results.holds.items())


def _picture(results: Results, curves: Curves, narrow: bool) -> Markup | None:
    name, hold = next(iter(results.holds.items()), ("", None))
    if hold is None:
        return None
    ends = " to ".join(number_format.show(end, "a").with_u for end in (hold.start_pressure, hold.end_pressure))
    return markup(figures.first_pressure(curves, name, hold.window, narrow=narrow, headline=ends))


def _summary(results: Results, _: ReportContext) -> tuple[str, str, str]:
    """Say what happened, whether a limit was passed, and whether it is over."""
    which = "rehearsal" if results.rehearsal else "run"
    real = "gas stood in a simulated tank" if results.rehearsal else "gas stood in a closed tank, no motor was fired"
    told = "; ".join(f"{name} tank: {hold.sentence}" for name, hold in results.holds.items()) or "no hold was shown"
    held = " and ".join(f"{about_bar(hold.end_pressure)} ({name})" for name, hold in results.holds.items())
    end = f"At the end of the hold the gas still stood at {held}" if held else "The record does not say how it ended"
    over = f"{end}; whether it is vented since, this report does not say: ask the crew."
    return (
        f"In the {which} {results.run} {real}; {told}.",
        "A hold is no proof of strength, and no pressure was held against a limit here.",
        sentences.NOTHING_THERE if results.rehearsal else over,
    )


def _facts(results: Results, _: ReportContext, register: Register) -> tuple[Fact, ...]:
    facts: list[Fact] = []
    for name, hold in results.holds.items():
        held = hold.window[1] - hold.window[0]
        where = f"{hold.thermometers} thermometer{'s' if hold.thermometers != 1 else ''}, {hold.sun}"
        pressure = number_format.show(hold.start_pressure, "a").with_u
        facts.append(
            (f"Held, {name}", f"{held / 60:.0f} min after {hold.settled / 60:.0f} to settle, {pressure}, {where}")
        )
        facts.append(
            (f"Gas, {name}", f"{1e3 * hold.gas_mass:.0f} g {hold.gas} in {number_format.show(hold.gas_volume).with_u}")
        )
        rate: Cell = hold.trade or register.why(name)
        facts.append((f"Rate, {name}", rate))
    return tuple(facts)


def _sections(results: Results, curves: Curves, _: ReportContext, register: Register) -> tuple[Section, ...]:
    blocks: list[Block] = []
    for name, hold in results.holds.items():
        ends = " to ".join(number_format.show(end, "a").with_u for end in (hold.start_pressure, hold.end_pressure))
        svg = figures.tank_pressure(curves, name, hold.window, t_zero=results.t_zero is not None, headline=ends)
        drawn = picture(svg, f"Pressure of the {name} tank: {ends} over the shaded part, which was held.")
        blocks += beside(drawn, (_budget(name, hold),))
    if not results.holds:
        blocks.append(Text(register.why()))
    return (
        Section(
            anchor="hold",
            title="The hold",
            lead="What left the tank, and what such a hold can see.",
            blocks=tuple(blocks),
            symbols=(("u", "standard uncertainty of the rate; what limits it is seldom the scatter of the readings"),),
        ),
    )


def _budget(name: str, hold: HoldResult) -> Table:
    rows = tuple((term.source, grams(term.u)) for term in sorted(hold.budget, key=lambda term: -term.u))
    return Table(
        head=("source", "u"), rows=rows, figures=frozenset({1}), caption=f"What the rate of {name} is uncertain by."
    )


HOLD_PAGE = PageParts(
    big=_big,
    headline=_headline,
    verdicts=lambda _: (),
    summary=_summary,
    wide=_picture,
    thumbnail=lambda _, __: None,
    stand=lambda results, _: results.stand,
    facts=_facts,
    checks=lambda _: "",
    not_covered=NOT_COVERED_HOLD,
    sections=_sections,
)
