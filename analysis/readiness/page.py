"""The page of readiness: one printed sheet, self-contained, no script; and the same in lines. Pure."""

import datetime as dt
import re
import textwrap
from collections.abc import Sequence
from dataclasses import replace

from markupsafe import Markup

from standbook.analysis.readiness.fact import Fact, Group, grouped
from standbook.analysis.report.render import css_string, page_environment, page_style
from standbook.daq.config.plan import Test
from standbook.daq.stand_sheets.waiver_file import Waiver

WIDTH = 77  # of a terminal, less an indent
ALL_THEY_READ = re.compile(r"all that \S+ reads")
WAIVED = "waived: the crew wrote down that it goes without, and the fact stays open"
SEEN_FROM = re.compile(r"agrees.*surely seen from (.+?) on$")
TEMPLATE = "ready.html.j2"
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
    return ", ".join(counts) + (f"; {waived} {WAIVED}" if waived else "")


def group_lines(group: Group, place: int) -> tuple[str, ...]:
    """Return the lines of one group for a terminal: what would settle it, then each fact; alike ones in one line."""
    count = len(group.facts)
    answers = f" Answers {count} facts." if count > 1 else ""
    said = [f"{place:2d}. risk {percent(group.loss)}. {group.mend}, {group.minutes:.0f} min.{answers}"]
    for names, fact in _alike(group.facts):
        said.append(f"    {names}: {fact.state.upper()}. {fact.found}. {_age(fact)}Spoils {fact.ruins}.")
    said += [
        f"    {fact.name} WAIVED by {fact.waiver.role}: {fact.waiver.reason}"
        for fact in group.facts
        if fact.waiver is not None
    ]
    return tuple(line for text in said for line in textwrap.wrap(text, WIDTH, subsequent_indent="    "))


def _alike(facts: Sequence[Fact]) -> list[tuple[str, Fact]]:
    """Return facts, those of one state, finding and ruin in one: each with the names that it stands for."""
    found: dict[tuple[str, str, str], list[Fact]] = {}
    for fact in facts:
        ruins = ALL_THEY_READ.sub("all that they read", fact.ruins)
        found.setdefault((fact.state, fact.found, ruins), []).append(fact)
    rows = []
    for (_, _, ruins), own in found.items():
        rows.append((_names(own), replace(own[0], ruins=ruins if len(own) > 1 else own[0].ruins)))
    return rows


def _names(facts: Sequence[Fact]) -> str:
    """Name facts, what they have in common once: "unit of PT-11, PT-21; sign of LC-1"."""
    found: dict[str, list[str]] = {}
    for fact in facts:
        kind, _, of = fact.name.partition(" of ")
        found.setdefault(kind, []).append(of)
    return "; ".join(f"{kind} of {', '.join(of)}" if of[0] else kind for kind, of in found.items())


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
    return environment.get_template(TEMPLATE).render(
        open=[_group(place, group) for place, group in enumerate(grouped([f for f in facts if f.is_open]), start=1)],
        held=_held([fact for fact in facts if not fact.is_open]),
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
        style=page_style(environment),
        running_head=Markup(css_string(f"Before {test.number}")),  # noqa: S704 - quoted
    )  # fmt: skip


def _held(facts: Sequence[Fact]) -> list[tuple[str, str, str]]:
    """Return the rows of what is known; checks of one kind and age share one, each with what it would surely see."""
    found: dict[tuple[str, str], list[Fact]] = {}
    for fact in facts:
        kind = fact.name.partition(" of ")[0] if SEEN_FROM.search(fact.found) else fact.name
        found.setdefault((kind, _age(fact).rstrip(". ") or "today"), []).append(fact)
    rows = []
    for (_, age), own in found.items():
        seen = [match[1] for fact in own if (match := SEEN_FROM.search(fact.found))]
        told = own[0].found if len(own) == 1 else f"agree; surely seen from {', '.join(seen)} on"
        rows.append((_names(own), told, age))
    return rows


def _group(place: int, group: Group) -> tuple[str, list[tuple[str, ...]]]:
    """Return the heading of a group on the page, and its rows."""
    rows: list[tuple[str, ...]] = []
    for names, fact in _alike(group.facts):
        waived = f" Waived: {fact.waiver.role}." if fact.waiver is not None else ""
        rows.append((names, fact.state, f"{fact.found}{waived}", fact.ruins, percent(fact.loss)))
    return f"{place}. {group.mend}, {group.minutes:.0f} min", rows
