"""Share argument types, the caution and printing among all commands."""

import datetime as dt
import json
import shutil
import sys
import textwrap
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Annotated, Any, TextIO

import typer

from standbook.daq.errors import UsageError
from standbook.daq.printable import printable, printable_lines

CAUTION = (
    "standbook watches, records, computes and says. It commands nothing and protects nobody: relief valves, "
    "a hard-wired abort, distance and procedure do. A screen reading is never authority to approach."
)

WIDTH = 77  # of a sentence on a terminal of 80 columns, less an indent
WIDEST = 100  # of a sentence on a wider one: longer lines are hard to read
TO_COPY = "Next: "  # begins a line that is copied as it stands

PlanPath = Annotated[Path, typer.Argument(metavar="PLAN", help="The plan: CAMPAIGN/plans/NUMBER.toml")]
RunPath = Annotated[Path, typer.Argument(metavar="RUN", help="A run folder: CAMPAIGN/runs/DATE_NUMBER")]
Redacted = Annotated[
    bool, typer.Option("--redacted", help="A copy for the public: no names, places, serials, notes, times of day.")
]
Hide = Annotated[
    list[str] | None, typer.Option("--hide", metavar="TEXT", help="With --redacted: hide this too; may be repeated.")
]
Units = Annotated[
    str, typer.Option("--units", metavar="UNITS", help="Of what is shown: psi,lbf or kPa,N,kg; files stay as they are.")
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON for a machine to read.")]


def say(text: str = "") -> None:
    """Print one line; on a terminal that is narrower than it, on several."""
    typer.echo(_fitted(printable_lines(text), sys.stdout))


def warn(text: str) -> None:
    """Print one line on standard error, as :func:`say` does."""
    typer.echo(_fitted(printable_lines(text), sys.stderr), err=True)


def say_all(lines: Iterable[str], indent: str = "  ") -> None:
    """Print lines, each indented."""
    for line in lines:
        say(f"{indent}{line}")


def hanging(line: str, columns: int) -> str:
    """Break one line between words where it is wider than ``columns``, what follows indented by two more."""
    if len(line) <= columns or line.lstrip().startswith(TO_COPY):
        return line
    indent = line[: len(line) - len(line.lstrip())] + "  "
    return textwrap.fill(
        line,
        columns,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
        replace_whitespace=False,
        drop_whitespace=True,
    )


def _fitted(text: str, reader: TextIO | None) -> str:
    """Fit lines into the terminal that reads them; a program that reads them has one line a sentence."""
    if reader is None or reader.closed or not reader.isatty():
        return text
    columns = min(shutil.get_terminal_size().columns, WIDEST)
    return "\n".join(hanging(line, columns) for line in text.split("\n"))


def say_wrapped(sentences: Iterable[str]) -> None:
    """Print sentences within 80 columns, each indented and its further lines more so."""
    for sentence in sentences:
        say_all(textwrap.wrap(printable(sentence), WIDTH, subsequent_indent="  "))


def say_json(value: Mapping[str, Any]) -> None:
    """Print one JSON object, characters that a terminal could obey by number as JSON writes them."""
    text = json.dumps(value, ensure_ascii=False, indent=1)
    plain = all(line.isprintable() for line in text.split("\n"))
    typer.echo(text if plain else json.dumps(value, ensure_ascii=True, indent=1))


def heading(text: str) -> None:
    """Print a heading with an empty line before it; weight carries no meaning of its own."""
    typer.echo()
    typer.secho(printable(text), bold=True)


def open_page(path: Path) -> None:
    """Open a page in the browser; where none can be started, say so."""
    import webbrowser

    if not webbrowser.open(path.resolve().as_uri()):
        warn("No browser can be started here: open the report named above in one.")


def check_hide(hide: list[str] | None, *, redacted: bool) -> tuple[str, ...]:
    """Return what is to be hidden; refuse it without --redacted, where it would do nothing."""
    if hide and not redacted:
        raise UsageError("--hide: hides nothing without --redacted; add that, or leave --hide out")
    return tuple(hide or ())


def check_units(text: str) -> dict[str, str]:
    """Return the units chosen by --units, by their dimension; none where nothing was given."""
    from standbook.daq.display_units import chosen_units

    try:
        return chosen_units(text) if text else {}
    except ValueError as error:
        raise UsageError(f"--units {text}: {error}") from None


def now() -> dt.datetime:
    """Return the wall clock, UTC."""
    return dt.datetime.now(dt.UTC)


def today() -> dt.date:
    """Return the local date, the one a calibration's validity is written in."""
    return dt.datetime.now().astimezone().date()


def is_sheet(path: Path) -> bool:
    """Tell whether a path is a readings sheet's: it lies in a folder of that name."""
    return path.resolve().parent.name == "readings"
