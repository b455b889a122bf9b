"""``standbook compare``: say what two runs differ in, and what was changed between them."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, say, say_all, say_json

if TYPE_CHECKING:
    from standbook.analysis.campaign.comparison import Line, RunComparison


def compare(
    first: Annotated[Path, typer.Argument(metavar="FIRST", help="The earlier run.")],
    second: Annotated[Path, typer.Argument(metavar="SECOND", help="The later run.")],
    remounted: Annotated[
        bool, typer.Option("--remounted", help="The load cell was taken off and mounted again between them.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Print the second run less the first, with an uncertainty from which cancels what made both, and every change.

    "Changed" is beyond 95 %, "same" is shown to be less than 1 % apart; else the two are not told apart. Runs of
    different kinds have their changes listed only.

    Example: standbook compare teasel-2/runs/2031-06-14_HF-02 teasel-2/runs/2031-06-21_HF-03
    """
    from standbook.analysis.campaign.comparison import compare_runs

    found = compare_runs(first, second, remounted=remounted)
    if as_json:
        say_json(_plain(found))
        return
    say(f"{found.second} less {found.first}:")
    if not found.lines:
        say("  no number that both have: runs of different kinds, or nothing was measured")
    say_all(_words(line) for line in found.lines)
    say("Changed between them:" if found.changes else "Nothing was changed between them: plan, stand, calibrations.")
    say_all(found.changes)


def _words(line: "Line") -> str:
    from standbook.analysis.report.content.number_format import show, signs
    from standbook.analysis.results.quantities import Measured

    shown = show(Measured(line.difference.value, 2.0 * line.difference.u, line.unit))
    least = f"{line.bound} " if line.bound else ""
    sign = "+" if line.difference.value > 0.0 else ""
    value = f"{sign}{shown.value} {shown.unit}".rstrip()
    return signs(f"{line.name}: {least}{value}, U (k = 2) {shown.u}: {line.difference.says} ({line.because})")


def _plain(found: "RunComparison") -> dict[str, object]:
    return {
        "first": found.first,
        "second": found.second,
        "lines": [
            {
                "name": line.name,
                "unit": line.unit,
                "first": line.first,
                "second": line.second,
                "difference": line.difference.value,
                "u": line.difference.u,
                "says": line.difference.says,
                "because": line.because,
                "bound": line.bound or None,
            }
            for line in found.lines
        ],
        "changes": list(found.changes),
    }
