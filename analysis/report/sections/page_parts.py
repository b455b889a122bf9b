"""Define the parts of page one and of the evidence that differ by kind of test."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from markupsafe import Markup
from scipy import constants

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import Cell, Register, Section
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results

COVERAGE_FACTOR = 2.0  # of what page one prints besides the impulse: about 95 % for a normal distribution
Fact = tuple[str, Cell]
Curves = Mapping[str, Curve]


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class PageParts:
    """Page parts of one kind of test."""

    big: Callable[[Results, ReportContext, Register], tuple[BigNumber, ...]]
    headline: Callable[[Results], str]
    verdicts: Callable[[Results], tuple[VerdictCard, ...]]
    summary: Callable[[Results, ReportContext], tuple[str, str, str]]  # what happened, over a limit, is it over
    wide: Callable[[Results, Curves, bool], Markup | None]  # the picture across the page; true: for a telephone
    thumbnail: Callable[[Results, Curves], Markup | None]
    stand: Callable[[Results, ReportContext], str]
    facts: Callable[[Results, ReportContext, Register], tuple[Fact, ...]]
    checks: Callable[[Results], str]  # what could be held against the main number; empty where nothing is asked
    not_covered: str  # {motors}: how many the plan declares
    sections: Callable[[Results, Curves, ReportContext, Register], tuple[Section, ...]]  # its own, in reading order


def markup(svg: str | None) -> Markup | None:
    """Mark our own picture as markup."""
    return Markup(svg) if svg else None  # noqa: S704 - drawn by us


def about_bar(pressure: Measured) -> str:
    """Write an absolute pressure for people who are not of the trade."""
    return f"about {number_format.fixed(pressure.value / constants.bar, 1)} bar(a)"


def expanded(measured: Measured) -> str:
    """Write a quantity with its expanded uncertainty."""
    return number_format.show_expanded(measured, COVERAGE_FACTOR).plus_minus
