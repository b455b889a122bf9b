"""``standbook runs``: list a campaign's runs, how far each has come, and what it says."""

import csv
import datetime as dt
import shutil
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, say, say_all, say_json
from standbook.cli.text_table import Column, fitted, table_lines
from standbook.daq.errors import EXIT_FINDINGS, UsageError

if TYPE_CHECKING:
    from standbook.analysis.campaign.run_table import RunRow
    from standbook.analysis.results.quantities import Measured

    Cell = Callable[[RunRow], str]

NOT_KNOWN = "--"
PIPED = 100_000  # columns of a reader that is no terminal


class Sort(StrEnum):
    """What rows can be sorted by."""

    DATE, IMPULSE, NUMBER = "date", "impulse", "number"


def runs(
    campaign: Annotated[Path, typer.Argument(metavar="CAMPAIGN", help="The campaign's folder.")] = Path(),
    kind: Annotated[str, typer.Option("--kind", help='Only this kind of test, such as "water flow".')] = "",
    article: Annotated[str, typer.Option("--article", help="Only this article.")] = "",
    tank: Annotated[str, typer.Option("--tank", help="Only runs that say something of this tank.")] = "",
    configuration: Annotated[
        str, typer.Option("--configuration", help="Only this configuration, such as hw2 or in1.")
    ] = "",
    verdict: Annotated[str, typer.Option("--verdict", help='Only this verdict: within, exceeds, "not shown".')] = "",
    since: Annotated[str, typer.Option("--since", metavar="DATE", help="Not before this day, 2031-06-14.")] = "",
    until: Annotated[str, typer.Option("--until", metavar="DATE", help="Not after this day.")] = "",
    rehearsals: Annotated[
        bool, typer.Option("--rehearsals", help="Rehearsals and recordings without a plan too.")
    ] = False,
    sort: Annotated[Sort, typer.Option("--sort", help="What the rows are sorted by.")] = Sort.DATE,
    as_json: AsJson = False,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print every number in full as CSV.")] = False,
) -> None:
    """List the runs of a campaign with what the newest analysis of each says; no sample is read.

    Configurations are numbered by what the runs' own files state: hw for article, throat and tanks, in for sensors and
    their filters. A run that cannot be read is a row with the reason, and the list ends with 10.

    Example: standbook runs teasel-2 --rehearsals
    """
    from standbook.analysis.campaign.run_table import campaign_runs

    if as_json and as_csv:
        raise UsageError("give --json or --csv, not both")
    low, high = _day("--since", since), _day("--until", until)
    every = campaign_runs(campaign)
    counted = [row for row in every if rehearsals or row.is_test]

    def fits(row: "RunRow") -> bool:
        named = ((kind, row.kind), (article, row.article), (verdict, row.verdict))
        listed = ((tank, (*row.cda, *row.exponent)), (configuration, _configurations(row)))
        return (
            low <= row.date <= high
            and all(wanted in ("", known) for wanted, known in named)
            and all(not wanted or wanted in known for wanted, known in listed)
        )

    shown = _sorted([row for row in counted if fits(row)], sort)
    _print(shown, len(every) - len(counted), campaign, "json" if as_json else "csv" if as_csv else "text")
    if any(row.why for row in shown):
        raise typer.Exit(EXIT_FINDINGS)


def _print(rows: "list[RunRow]", hidden: int, campaign: Path, form: str) -> None:
    if form == "json":
        from standbook.analysis.campaign.run_table import plain_row

        say_json({"campaign": str(campaign), "runs": [plain_row(row) for row in rows], "not_shown": hidden})
    elif form == "csv":
        _write_csv(rows)
    else:
        _say(rows, hidden, campaign)


def _sorted(rows: "list[RunRow]", by: Sort) -> "list[RunRow]":
    if by is Sort.IMPULSE:
        return sorted(rows, key=lambda row: row.impulse.value if row.impulse is not None else -1.0, reverse=True)
    return sorted(rows, key=lambda row: row.number) if by is Sort.NUMBER else rows


def _day(option: str, text: str) -> str:
    """Return a day as folders are named by; the first or last one there is where none is given."""
    if not text:
        return "" if option == "--since" else "9999"
    try:
        return dt.date.fromisoformat(text).isoformat()
    except ValueError:
        raise UsageError(f"{option} {text}: is no day; write it like 2031-06-14") from None


def _configurations(row: "RunRow") -> list[str]:
    numbers = (("hw", row.hardware), ("in", row.instruments))
    return [f"{word}{number}" for word, number in numbers if number is not None]


def _say(rows: "Sequence[RunRow]", hidden: int, campaign: Path) -> None:
    """Print the table, then what is not in it and what comes next."""
    from standbook.analysis.report.content.number_format import signs

    width = shutil.get_terminal_size().columns if sys.stdout.isatty() else PIPED
    if rows:
        for line in table_lines(fitted(columns_of(rows), width)):
            say(signs(line))
    say_all(f"REVIEW: {row.folder}: {row.why}" for row in rows if row.why)
    different = len({row.hardware for row in rows if row.hardware is not None})
    more = f"; {hidden} rehearsals or recordings without a plan not shown (--rehearsals)" if hidden else ""
    say(f"{_counted(len(rows), 'run')}, {_counted(different, 'hardware configuration')}{more}.")
    for command in dict.fromkeys(row.next_command for row in rows if row.next_command):
        say(f"Next: {command}" + ("" if campaign == Path() else f", in {campaign}"))


def _counted(number: int, what: str) -> str:
    return f"{number} {what}" + ("" if number == 1 else "s")


def columns_of(rows: "Sequence[RunRow]") -> tuple[Column, ...]:
    """Build every column there is, in reading order."""
    from standbook.analysis.campaign.run_table import tank_names

    tanks = tank_names(rows)
    sides = "/".join(tanks)

    def column(head: str, cell: "Cell", gives_way: int | None = None) -> Column:
        return Column(head=head, cells=tuple(cell(row) for row in rows), gives_way=gives_way)

    return (
        column("date", lambda row: row.date, 8),
        column("run", lambda row: row.number + (" REHEARSAL" if row.rehearsal else "")),
        column("kind", lambda row: row.kind, 4),
        column("article", lambda row: row.article, 1),
        column("conf", lambda row: " ".join(_configurations(row)), 6),
        column("state", lambda row: row.state, 9),
        column("verdict", lambda row: row.verdict or NOT_KNOWN),
        column("impulse N·s (U)", _impulse, 10),
        column(f"CdA {sides} mm2 (u)", lambda row: _sides(row.cda, tanks), 3),
        column(f"n {sides} (u)", lambda row: _sides(row.exponent, tanks), 2),
        column("c* m/s (u)", lambda row: _short(row.cstar), 5),
        column("serious", lambda row: NOT_KNOWN if row.serious is None else str(row.serious), 7),
        column("cautions", lambda row: NOT_KNOWN if row.cautions is None else str(row.cautions), 7),
    )


def _impulse(row: "RunRow") -> str:
    """Write the impulse with its expanded uncertainty; a recorded part is at least so much."""
    from standbook.analysis.report.content.number_format import round_pair

    if row.impulse is None or row.expanded is None:
        return NOT_KNOWN
    value, expanded = round_pair(row.impulse.value, row.expanded)
    return f">={value}" if row.lower_bound else f"{value} ({expanded})"


def _sides(values: "Mapping[str, Measured]", tanks: Iterable[str]) -> str:
    return " / ".join(_short(values.get(name)) for name in tanks) if values else NOT_KNOWN


def _short(measured: "Measured | None") -> str:
    """Write a quantity in the trade's unit, which the head names, with its standard uncertainty in brackets."""
    from standbook.analysis.report.content.number_format import show

    if measured is None:
        return NOT_KNOWN
    shown = show(measured)
    return f"{shown.value} ({shown.u})"


def _write_csv(rows: "Sequence[RunRow]") -> None:
    """Print rows as CSV by RFC 4180; what is not known is an empty cell."""
    from standbook.analysis.campaign.run_table import plain_row

    spread = [plain_row(row) for row in rows]
    names = tuple(dict.fromkeys(name for row in spread for name in row))
    writer = csv.DictWriter(sys.stdout, names, restval="", lineterminator="\r\n")
    writer.writeheader()
    writer.writerows({name: _cell(value) for name, value in row.items()} for row in spread)


def _cell(value: object) -> object:
    """Write a cell: numbers in full; a text that a spreadsheet would take for a formula begins with an apostrophe."""
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t"):
        return f"'{value}"
    return "" if value is None else value
