"""``standbook recover``: decode journals into samples, in place for an unsealed recording, or into a new folder."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import AsJson, RunPath, say, say_all, say_json
from standbook.daq.errors import EXIT_FINDINGS


def recover(
    run: RunPath,
    into: Annotated[
        Path | None, typer.Option("--into", metavar="NEW_FOLDER", help="Rebuild a sealed run in a new folder.")
    ] = None,
    no_analysis: Annotated[
        bool, typer.Option("--no-analysis", help="Only seal: no quick look, no first analysis.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Decode the journals of a recording that ended before it was sealed, seal the run, and look at it.

    A sealed run is never touched: with --into it is rebuilt in a new folder from its journals and locked files, each
    checked against the old manifest, and not analysed; nor is it with --json. Exit code 10: something is missing or
    damaged; the sentences say what.

    Example: standbook recover teasel-2/runs/2031-06-14_HF-02
    """
    if into is None:
        from standbook.daq.sealing.seal import seal

        summary, place = seal(run), run
    else:
        from standbook.daq.sealing.rebuild import rebuild

        summary, place = rebuild(run, into), into
    if as_json:
        say_json(summary.to_json())
    else:
        say(f"Recovered {place}, sealed:")
        say_all(summary.sentences())
        say("  whole" if summary.is_whole else "  not whole: what is missing or damaged stands above")
        if into is None and not no_analysis:
            from standbook.cli.quick import analyse_and_look

            analyse_and_look(place)
    if not summary.is_whole:
        raise typer.Exit(EXIT_FINDINGS)
