"""``standbook add``: add facts known after the run beside the sealed record."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import RunPath, say


def add(
    run: RunPath,
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Weighings and other later files.")],
) -> None:
    """Add later facts to a sealed run: residual or caught weighings, notes. Nothing sealed is touched.

    Example: standbook add teasel-2/runs/2031-06-14_HF-02 weighings.toml
    """
    from standbook.daq.run.additions import WEIGHINGS_FILE
    from standbook.daq.run.additions import add as add_files

    place = add_files(run, files)
    if any(path.name == WEIGHINGS_FILE for path in files):
        say(f"Added {place}; analyse the run again to use its weighings.")
    else:
        say(f"Added {place}, kept as it is: masses are read from a file called {WEIGHINGS_FILE} alone.")
