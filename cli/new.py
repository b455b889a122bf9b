"""``standbook new``: a commented, working campaign to edit."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import CAUTION, say, say_all, today


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The campaign folder to make.")],
    source: Annotated[
        Path | None, typer.Option("--from", metavar="RUN", help="Take the stand of this run, as bench records one.")
    ] = None,
) -> None:
    """Write a commented, working campaign: stand, calibrations, two water-flow plans and a static fire.

    With --from it has the stand that was recorded, no calibration yet, and plans whose values are left out: predict
    lists what is missing, and an example stands beside each.

    Example: standbook new teasel-2
    """
    from standbook.cli.starter import write_campaign

    if source is not None:
        _from_run(folder, source)
        return

    campaign = write_campaign(folder.parent, today=today(), name=folder.name)
    say(f"Wrote {campaign}: an invented stand and engine. Put your own numbers in its place.")
    say_all(
        (
            f"{campaign}/stand.toml          what hangs on which wire",
            f"{campaign}/calibrations/       one file a sensor and revision",
            f"{campaign}/plans/              one file a test",
        )
    )
    say(f"Next: standbook predict {campaign}/plans/WF-03.toml")
    say(CAUTION)


def _from_run(folder: Path, run: Path) -> None:
    from standbook.cli.starter import BLANK_PLANS, write_blank_campaign
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.stand import read_stand
    from standbook.daq.errors import RecordError
    from standbook.daq.regular_file import read_regular
    from standbook.daq.run.run_folder import read_run_files
    from standbook.daq.run.run_progress import SEALED, run_progress

    read_run_files(run)  # names what is wrong with a folder that is no run
    if run_progress(run).state != SEALED:
        raise RecordError(f"{run}: is not sealed yet, so its stand may change; seal it first: standbook recover {run}")
    stand = run / STAND_FILE
    write_blank_campaign(folder, read_regular(stand), read_stand(stand).name)
    say(f"Wrote {folder}: the stand of {run.name}, and plans with every value left out.")
    say_all(
        (
            f"{folder}/stand.toml          rename the tags; say what each input measures, and its kind",
            f"{folder}/calibrations/       none yet: standbook guide calibrating",
            f"{folder}/plans/              a water flow and a static fire, an example beside each value",
        )
    )
    say(f"Next: standbook predict {folder}/plans/{BLANK_PLANS[0][0]}.toml")
    say(CAUTION)
