"""``standbook import``: import a CSV of another logger as a run."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import PlanPath, now, say, say_all, today
from standbook.daq.errors import EXIT_FINDINGS


def import_csv(
    csv: Annotated[Path, typer.Argument(metavar="CSV", help="The other logger's file.")],
    mapping: Annotated[Path, typer.Argument(metavar="MAPPING", help="A TOML file that names columns and units.")],
    plan: PlanPath,
    rehearsal: Annotated[bool, typer.Option("--rehearsal", help="The values are simulated: mark the run.")] = False,
) -> None:
    """Import a CSV as a run of a plan; a mapping of at most 20 lines names columns, units, clock and T-0.

    Exit code 10: rows are missing; the sentences say where.

    Example: standbook import flow.csv flow-map.toml teasel-2/plans/WF-03.toml
    """
    from standbook.daq.config.campaign import read_campaign
    from standbook.daq.other_recorders.import_csv import import_csv as import_file
    from standbook.daq.software import software

    campaign = read_campaign(plan, today=today())
    folder, summary = import_file(csv, mapping, campaign, now=now(), software=software(), rehearsal=rehearsal)
    say(f"Imported {csv} into {folder}:")
    say_all(summary.sentences())
    say(f"Next: standbook analyse {folder}")
    if not summary.is_whole:
        raise typer.Exit(EXIT_FINDINGS)
