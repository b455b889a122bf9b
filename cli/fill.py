"""``standbook fill``: fill gaps of a sealed run from a second recorder's memory card."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import AsJson, RunPath, say, say_all, say_json
from standbook.daq.errors import EXIT_FINDINGS


def fill(
    run: RunPath,
    card: Annotated[Path, typer.Argument(metavar="CARD_FILE", help="A device's bytes, from a second recorder.")],
    device: Annotated[
        str | None, typer.Option("--device", metavar="NAME", help="Which device of the run it is a copy of.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Fill rows that a sealed run has lost from a second recorder's copy. Nothing sealed is touched.

    Every row that both hold must agree count for count, else the copy is refused.

    Example: standbook fill teasel-2/runs/2031-06-14_HF-02 card.bin
    """
    from standbook.daq.other_recorders.fill_gaps import fill as fill_run
    from standbook.daq.software import software

    filling = fill_run(run, card, device=device, software=software())
    if as_json:
        say_json(filling.to_json())
    elif filling.place is None:
        say(f"Nothing to fill from {card}, nothing added:")
        say_all(filling.sentences())
    else:
        say(f"Added {filling.place}; analyse the run again to use its rows:")
        say_all(filling.sentences())
    if filling.missing:
        raise typer.Exit(EXIT_FINDINGS)
