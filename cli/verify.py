"""``standbook verify``: check whether a run is what was sealed, and report what is missing."""

import typer

from standbook.cli.screen import AsJson, RunPath, say, say_all, say_json
from standbook.daq.errors import EXIT_FINE


def verify(run: RunPath, as_json: AsJson = False) -> None:
    """Check a run: every hash, every row against a fresh decode of the journals; one line a stream.

    Exit code 0: whole; 10: gaps, damage or not sealed yet; 6: a sealed file is no longer what was sealed.

    Example: standbook verify teasel-2/runs/2031-06-14_HF-02
    """
    from standbook.daq.sealing.verify import verify_run

    found = verify_run(run)
    if as_json:
        say_json(found.to_json())
    else:
        say(f"{run}:")
        say_all(found.sentences())
    if found.exit_code != EXIT_FINE:
        raise typer.Exit(found.exit_code)
