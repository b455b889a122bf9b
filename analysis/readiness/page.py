"""The page of readiness: one printed sheet, self-contained, no script; and the same in lines. Pure."""

import datetime as dt
import textwrap
from collections.abc import Sequence

from markupsafe import Markup

from standbook.analysis.readiness.fact import Fact
from standbook.analysis.report.render import css_string, page_environment
from standbook.daq.config.plan import Test
from standbook.daq.stand_sheets.waiver_file import Waiver

WIDTH = 79  # of a terminal
TEMPLATE = "ready.html.j2"
STYLESHEET = "style.css"  # the report's own
BY_PEOPLE = (
    "range clear",
    "one person has the authority to stop",
    "gauges and relief valves fitted, set and in date",
    "hard-wired abort tried today, on its own supply",
    "batteries last twice the planned countdown",
    "the laptop does not sleep",
    "a check weight is planned after the run too",
    "second recorder: its counter moves",
)
"""Lines that no software sees; common practice, no source."""


def summary(facts: Sequence[Fact]) -> str:
    """Return how many facts hold and how many are open: no verdict."""
    holds = sum(not fact.is_open for fact in facts)
    counts = [f"{holds} of {len(facts)} facts hold"]
    for state in ("does not hold", "cannot tell", "not measured"):
        number = sum(fact.state == state for fact in facts)
        if number:
            words = {"does not hold": "do not hold" if number > 1 else "does not hold"}.get(state, state)
            counts.append(f"{number} {words}")
    waived = sum(fact.waiver is not None for fact in facts)
    return ", ".join(counts) + (f"; {waived} waived" if waived else "")


def fact_lines(fact: Fact, place: int) -> tuple[str, ...]:
    """Return the lines of one fact for a terminal."""
    said = [
        f"{place:2d}. {fact.name}: {fact.state.upper()}. {fact.found}",
        f"    risk {percent(fact.loss)} of the objective, spoils {fact.ruins}. {_age(fact)}To find out: {fact.mend}, "
        f"{fact.minutes:.0f} min.",
    ]
    if fact.waiver is not None:
        said.append(f"    WAIVED by {fact.waiver.role}: {fact.waiver.reason}")
    return tuple(line for text in said for line in textwrap.wrap(text, WIDTH, subsequent_indent="    "))


def percent(share: float) -> str:
    """Write an expected loss."""
    return f"{100.0 * share:.0f} %" if share >= 0.01 else "under 1 %"


def _age(fact: Fact) -> str:
    if fact.age is None:
        return ""
    return f"{fact.age:.0f} h old. " if fact.age >= 1.0 else f"{60.0 * fact.age:.0f} min old. "


def ready_page(
    facts: Sequence[Fact],
    waivers: Sequence[Waiver],
    test: Test,
    *,
    at: dt.datetime,
    rehearsal: bool,
    charts: tuple[Sequence[str], str] = ((), ""),
) -> str:
    """Render the page; the same for the same arguments.

    ``waivers`` are those of no open fact; ``charts`` are pictures of zeros and shunt steps, and their words.
    """
    environment = page_environment("standbook.analysis.readiness")
    style = environment.loader.get_source(environment, STYLESHEET)[0] if environment.loader else ""
    return environment.get_template(TEMPLATE).render(
        open=[_row(place, fact) for place, fact in enumerate(facts, start=1) if fact.is_open],
        held=[(fact.name, fact.found, _age(fact).rstrip(". ") or "today") for fact in facts if not fact.is_open],
        waived=[fact for fact in facts if fact.waiver is not None],
        unused=waivers,
        summary=summary(facts),
        by_people=BY_PEOPLE,
        charts=[Markup(one) for one in charts[0]],  # noqa: S704 - drawn by us; names are escaped there
        chart_words=charts[1],
        number=test.number,
        kind=test.kind,
        article=test.article,
        at=f"{at:%Y-%m-%d %H:%M %Z}",
        rehearsal=rehearsal,
        style=Markup(style),  # noqa: S704 - our own file
        running_head=Markup(css_string(f"Before {test.number}")),  # noqa: S704 - quoted
    )  # fmt: skip


def _row(place: int, fact: Fact) -> tuple[str, ...]:
    waived = f" Waived: {fact.waiver.role}." if fact.waiver is not None else ""
    return (
        str(place), fact.name, fact.state, f"{fact.found}{waived}", fact.ruins, percent(fact.loss),
        f"{fact.mend}, {fact.minutes:.0f} min",
    )  # fmt: skip
