"""Define the parts of an evidence section: sentences, pictures, tables, and words for what is not known.

Plain frozen types; the template only walks through them. A cell that is ``Markup`` was escaped here.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup, escape

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.sentences import ranked
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm
from standbook.daq.findings.finding import Finding, FindingKind
from standbook.daq.printable import printable_lines

Cell = str | Markup
FIGURE_SPACE, LONGEST_SHARE = "\u2007", len("100 %")  # as wide as a digit


@dataclass(frozen=True, slots=True)
class Text:
    """One paragraph."""

    text: Cell
    kind: str = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One figure with the sentence below it; ``wide`` where it needs the whole width of a page."""

    svg: Markup
    caption: Cell
    wide: bool = False
    anchor: str = ""  # of a figure that can be looked at alone, enlarged
    kind: str = "picture"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under a head; ``figures`` are the columns set in tabular figures to the right."""

    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    figures: frozenset[int] = frozenset()
    caption: Cell = ""
    style: str = ""  # a class of the stylesheet
    kind: str = "table"


@dataclass(frozen=True, slots=True)
class Code:
    """Something to type."""

    text: Markup
    kind: str = "code"


@dataclass(frozen=True, slots=True)
class Columns:
    """Blocks side by side on paper and on a wide screen, one below the other on a telephone."""

    columns: tuple[tuple["Block", ...], ...]
    kind: str = "columns"


Block = Text | Picture | Table | Code | Columns


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One question answered: a plain sentence first, then the evidence, then what the symbols mean."""

    anchor: str
    title: str
    lead: str
    blocks: tuple[Block, ...]
    symbols: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Register:
    """Findings in the report's order, so that other places can point at them by number."""

    findings: tuple[Finding, ...]

    @classmethod
    def of(cls, findings: Sequence[Finding]) -> "Register":
        """Rank findings and number them from 1."""
        return cls(ranked(findings))

    def why(self, *channels: str | None) -> Markup:
        """Write "not known" with links to the findings that say why.

        A finding about the channel itself comes first; failing that, one about the whole run.
        """
        wanted: list[set[str | None]] = [set(channels) - {None}, {None}]
        for names in wanted:
            numbers_found = [
                index
                for index, finding in enumerate(self.findings, start=1)
                if finding.channel in names and (finding.channel is not None or finding.severity != "note")
            ]
            if numbers_found:
                return Markup("not known ({})").format(
                    Markup(", ").join(Markup('<a href="#finding-{0}">finding {0}</a>').format(n) for n in numbers_found)
                )
        return Markup("not known (no finding says why)")

    def number_of(self, kind: FindingKind) -> Markup | None:
        """Write a link to the first finding of a kind; ``None`` where there is none."""
        for number, finding in enumerate(self.findings, start=1):
            if finding.of(kind):
                return Markup('<a href="#finding-{0}">finding {0}</a>').format(number)
        return None


def escaped(text: str) -> Markup:
    """Write plain text as markup: its characters command neither page nor screen, numbers stay with their units."""
    return escape(number_format.tie(printable_lines(text)))


def picture(svg: str | None, caption: Cell, *, wide: bool = False, anchor: str = "") -> tuple[Picture, ...]:
    """Wrap a figure, or nothing where its curve is not known."""
    if not svg:
        return ()
    drawn = Markup(svg)  # noqa: S704 - drawn by us, its texts escaped by matplotlib
    return (Picture(svg=drawn, caption=caption, wide=wide, anchor=anchor),)


def beside(*columns: tuple[Block, ...]) -> tuple[Block, ...]:
    """Set columns side by side, those without a block left out; a single one needs no columns."""
    known = tuple(column for column in columns if column)
    return (Columns(known),) if len(known) > 1 else known[0] if known else ()


def measured_rows(
    register: Register,
    rows: Sequence[tuple[str, Measured | None, number_format.Reference | None]],
    channels: Sequence[str | None],
) -> tuple[tuple[Cell, ...], ...]:
    """Turn named quantities into rows of quantity, value, standard uncertainty, relative uncertainty."""
    written: list[tuple[Cell, ...]] = []
    for name, measured, reference in rows:
        if measured is None:
            written.append((name, register.why(*channels), "", ""))
            continue
        shown = number_format.show(measured, reference)
        written.append((name, shown.with_unit, shown.u_with_unit, number_format.relative(measured)))
    return tuple(written)


def quantity_table(rows: tuple[tuple[Cell, ...], ...], caption: Cell = "") -> Table:
    """Table of :func:`measured_rows`."""
    return Table(
        head=("Quantity", "Value", "u", "relative u"), rows=rows, figures=frozenset({1, 2, 3}), caption=caption
    )


def bar(share: float, words: str) -> Markup:
    """Draw a share of a whole as a bar behind its number."""
    width = f"{100.0 * share:.0f}%"
    padded = words.rjust(LONGEST_SHARE, FIGURE_SPACE)  # so that all bars begin in one place
    return Markup('<span class="bar" style="--share: {}"></span>{}').format(width, number_format.tie(padded))


def budget_table(terms: Sequence[BudgetTerm], unit: str, value: float, caption: Cell) -> Table:
    """List sources of uncertainty, largest first, with their share of the variance drawn as a bar."""
    variance = sum(term.u**2 for term in terms)
    rows: list[tuple[Cell, ...]] = [
        (
            term.source,
            number_format.show(Measured(0.0, term.u, unit)).u_with_unit,
            number_format.percent(term.u / abs(value), 2) if value else "",
            bar(term.u**2 / variance, number_format.percent(term.u**2 / variance, 0)) if variance else "",
        )
        for term in sorted(terms, key=lambda term: -term.u)
        if term.u > 0.0
    ]
    total = Measured(0.0, variance**0.5, unit)
    share = number_format.percent(variance**0.5 / abs(value), 2) if value else ""
    rows.append(("combined (root sum of squares)", number_format.show(total).u_with_unit, share, "100 %"))
    head = ("Source", "u", "relative u", "share of variance")
    return Table(head=head, rows=tuple(rows), figures=frozenset({1, 2, 3}), caption=caption, style="budget")
