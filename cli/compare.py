"""``standbook compare``: say what two runs differ in, and what was changed between them."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, now, open_page, say, say_all, say_json
from standbook.daq.errors import UsageError

if TYPE_CHECKING:
    from standbook.analysis.campaign.comparison import Line, RunComparison


def compare(
    first: Annotated[Path, typer.Argument(metavar="FIRST", help="The earlier run.")],
    second: Annotated[Path, typer.Argument(metavar="SECOND", help="The later run.")],
    remounted: Annotated[
        bool, typer.Option("--remounted", help="The load cell was taken off and mounted again between them.")
    ] = False,
    align: Annotated[
        str, typer.Option("--align", metavar="t0|opening|thrust-start", help="What the curves' times count from.")
    ] = "t0",
    page: Annotated[
        Path | None, typer.Option("--page", metavar="FILE.html", help="Write numbers, changes and curves as a page.")
    ] = None,
    show: Annotated[
        bool, typer.Option("--open", help="Open that page, beside the runs where --page is not given.")
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
    if page is not None or show:
        page = page or first.resolve().parent / f"{found.second}_less_{found.first}.html"
        _write_page(found, (first, second), align, page)
    if as_json:
        say_json(_plain(found))
        return
    say(f"{found.second} less {found.first}:")
    if not found.lines:
        say("  no number that both have: runs of different kinds, or nothing was measured")
    say_all(_words(line) for line in found.lines)
    say("Changed between them:" if found.changes else "Nothing was changed between them: plan, stand, calibrations.")
    say_all(found.changes)
    if page is not None:
        say(f"Page: {page}")
        if show:
            open_page(page)


def _write_page(found: "RunComparison", runs: tuple[Path, Path], align: str, place: Path) -> None:
    """Write the page with the curves of both newest revisions."""
    from standbook.analysis.campaign_page.comparison_page import comparison_page
    from standbook.analysis.campaign_page.curve_pairs import ALIGNS, curve_pairs, instant
    from standbook.analysis.results.curves import read_curves
    from standbook.analysis.results.saved_results import CURVES_FILE, read_results
    from standbook.daq.run.revision import open_revision
    from standbook.daq.storage.atomic_write import write_atomic

    by = next((known for known in ALIGNS if known == align), None)
    if by is None:
        raise UsageError(f'--align "{align}" is none of {", ".join(ALIGNS)}')
    results = [read_results(run).results for run in runs]
    one, other = (
        (read_curves(open_revision(run) / CURVES_FILE), instant(run.name, result, by))
        for run, result in zip(runs, results, strict=True)
    )
    lines = [_words(line) for line in found.lines]
    rehearsal = results[0].rehearsal
    pairs = tuple(curve_pairs(one, other))
    text = comparison_page(found, lines, pairs, align=by, rehearsal=rehearsal, at=now().astimezone())
    write_atomic(place, text.encode("utf-8"))


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
