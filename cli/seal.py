"""``standbook seal``: journals to samples, and the manifest over all of it."""

import typer

from cli.screen import AsJson, RunPath, say, say_all, say_json
from daq.errors import EXIT_FINDINGS


def seal(run: RunPath, as_json: AsJson = False) -> None:
    """Decode a run's journals into Parquet and seal the run folder with a manifest.

    Example: standbook seal teasel-2/runs/2031-06-14_HF-02
    """
    from daq.seal import seal as seal_run

    summary = seal_run(run)
    if as_json:
        say_json(summary.to_json())
    else:
        say(f"Sealed {run}:")
        say_all(summary.sentences())
    if not summary.is_whole:
        raise typer.Exit(EXIT_FINDINGS)
