"""``standbook export``: write a run into files that other programs open."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import Hide, Redacted, RunPath, Units, check_hide, check_units, say, say_all
from standbook.daq.errors import EXIT_FINDINGS, RecordError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from standbook.analysis.export.files import Exported


def export(
    run: RunPath,
    to: Annotated[Path, typer.Option("--to", metavar="DIR", help="Where the files are written.")] = Path(),
    kinds: Annotated[
        str, typer.Option("--as", metavar="KINDS", help="csv, xlsx, thrust, mat; several with commas.")
    ] = "csv",
    channel: Annotated[list[str] | None, typer.Option("--channel", metavar="TAG", help="Only this channel.")] = None,
    start: Annotated[float | None, typer.Option("--from", metavar="S", help="First instant after T-0.")] = None,
    end: Annotated[float | None, typer.Option("--until", metavar="S", help="Last instant after T-0.")] = None,
    ambient: Annotated[str, typer.Option("--ambient", help="Of the thrust table: site or vacuum.")] = "site",
    rows: Annotated[int, typer.Option("--rows", help="Most rows of the thrust table.")] = 500,
    units: Units = "",
    redacted: Redacted = False,
    hide: Hide = None,
) -> None:
    """Write channels and full-rate thrust as CSV, a workbook, a thrust table for flight simulation, a MATLAB file.

    CSV has comma and decimal point, units in its header and a metadata file beside it. The full-rate thrust sums to the
    total impulse; the thrust table keeps impulse and centre. Channels, thrust and masses are in --units, or those of
    the stand's [display]; results stay in SI. Exit code 10 where a run gives only a lower bound.

    Example: standbook export teasel-2/runs/2031-06-14_HF-02 --as csv,xlsx,thrust --to exports
    """
    hidden, chosen = check_hide(hide, redacted=redacted), check_units(units)
    from standbook.analysis.export.files import Export, exported
    from standbook.analysis.opened_run import open_run
    from standbook.daq.config import measurands

    if ambient not in ("site", "vacuum"):
        raise typer.BadParameter(f"--ambient {ambient}: write site or vacuum")
    opened = open_run(run)
    asked = tuple(kind.strip() for kind in kinds.split(","))
    if measurands.THRUST in asked and not opened.is_analysed:
        raise RecordError(f"{run}: not analysed yet, so there is no thrust table; first: standbook analyse {run}")
    vacuum = ambient == "vacuum"
    order = Export(kinds=asked, tags=channel, start=start, end=end, vacuum=vacuum, rows=rows, units=chosen)
    files: Sequence[Exported] = exported(opened, order)
    manifest = opened.record.manifest.sha256
    files, searched = _redacted(files, run.resolve(), hidden, manifest) if redacted else (files, "")
    _write(to, files)
    say(f"Exported {run.name}" + (", a REHEARSAL:" if opened.record.info.rehearsal else ":"))
    say_all(f"{to / file.name}, {len(file.content):,} bytes" for file in files)
    if searched:
        say(f"{searched}.")
    impulse = opened.results.impulse if opened.is_analysed else None
    if impulse is not None and impulse.lower_bound_only:
        say("Only a lower bound of the impulse is known: thrust is incomplete.")
        raise typer.Exit(EXIT_FINDINGS)


def _redacted(
    files: "Sequence[Exported]", run: Path, hidden: "Sequence[str]", manifest: str
) -> "tuple[Sequence[Exported], str]":
    from standbook.analysis.export.redacted import redacted_exports
    from standbook.analysis.redaction.run_redaction import redaction_of

    return redacted_exports(files, redaction_of(run, hidden), manifest)


def _write(to: Path, files: "Sequence[Exported]") -> None:
    from standbook.daq.storage.atomic_write import write_atomic
    from standbook.daq.storage.durable_file import reason

    try:
        to.mkdir(parents=True, exist_ok=True)
        for file in files:
            write_atomic(to / file.name, file.content)
    except OSError as error:
        raise RecordError(f"{to}: nothing can be written there: {reason(error)}") from error
