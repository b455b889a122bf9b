"""``standbook new``: a commented, working campaign to edit."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import CAUTION, say, say_all, today


def new(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="The campaign folder to make.")],
) -> None:
    """Write a commented, working campaign: stand, calibrations, two water-flow plans and a static fire.

    Example: standbook new teasel-2
    """
    from standbook.cli.starter import write_campaign

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
