"""``standbook quick``: say in five sentences what a run gave, while it is recorded or after, and suggest what to do."""

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, RunPath, say, say_all, say_json, warn
from standbook.daq.errors import EXIT_FINDINGS, StandError

if TYPE_CHECKING:
    from standbook.analysis.quick_look.quick_look import QuickLook

PROVISIONAL = "provisional, not for filing"


def quick(
    run: RunPath,
    tripped: Annotated[
        list[str] | None, typer.Option("--tripped", metavar="REDLINE", help="A redline that tripped meanwhile.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say what a run gave: record, times, thrust or pressures, deviation, and KEEP, DECIDE or REPEAT.

    A recording that goes on is copied and read, never touched. Everything is provisional: no uncertainty, no verdict,
    nothing weighed. The word suggests; a person decides. Exit code 10 for DECIDE and REPEAT.

    Example: standbook quick teasel-2/runs/2031-06-14_HF-02
    """
    look = look_at(run, redlines=tuple(tripped or ()))
    if as_json:
        say_json(plain_look(look))
    else:
        say_look(look)
    if look.suggests.word != "KEEP":
        raise typer.Exit(EXIT_FINDINGS)


def look_at(folder: Path, *, redlines: tuple[str, ...] = ()) -> "QuickLook":
    """Analyse what there is of a run in memory, and look at it; the run folder is only read."""
    from standbook.daq.run.run_folder import read_run_files
    from standbook.daq.run.run_progress import SEALED, run_progress

    read_run_files(folder)  # names what is wrong with a folder that is no run
    if run_progress(folder).state == SEALED:
        return _looked(folder, redlines)
    from standbook.daq.sealing.provisional import sealed_copy

    with tempfile.TemporaryDirectory(prefix="standbook-") as place:
        return _looked(sealed_copy(folder, Path(place)), redlines)


def _looked(sealed: Path, redlines: tuple[str, ...]) -> "QuickLook":
    from standbook.analysis.dataset.load_run import load_dataset
    from standbook.analysis.kinds.registry import analyse
    from standbook.analysis.quick_look.quick_look import quick_look
    from standbook.daq.run.run_folder import open_run

    opened = open_run(sealed, verify=False)
    dataset = load_dataset(opened)
    results = analyse(dataset, revision="", software="").results
    return quick_look(results, opened.plan, dataset.prediction, redlines=redlines)


def analyse_and_look(folder: Path, *, redlines: tuple[str, ...] = ()) -> None:
    """Make the first revision of a run that was just sealed, and say what it gave; a failure is one sentence."""
    from standbook.analysis.analyse import analyse_run
    from standbook.analysis.quick_look.quick_look import quick_look
    from standbook.analysis.results.prediction import Prediction
    from standbook.daq.run.run_folder import open_run
    from standbook.daq.software import software

    try:
        place, results = analyse_run(folder, software=software())
        run = open_run(folder, verify=False)
    except StandError as error:
        warn(f"standbook: no quick look: {error}")
        say(f"Next: standbook analyse {folder}")
        return
    prediction = Prediction.from_json(run.prediction_text) if run.prediction_text is not None else None
    say_look(quick_look(results, run.plan, prediction, redlines=redlines))
    say(f"Analysed into {place.name}, before weighing. Next: weigh, standbook add {folder} WEIGHINGS, analyse again")


def say_look(look: "QuickLook") -> None:
    """Print a quick look."""
    rehearsal = "REHEARSAL, " if look.rehearsal else ""
    say(f"QUICK LOOK {look.run}, {rehearsal}{PROVISIONAL}. It suggests; a person decides.")
    say_all(look.lines)


def plain_look(look: "QuickLook") -> dict[str, object]:
    """Return a quick look for a machine."""
    return {
        "run": look.run,
        "rehearsal": look.rehearsal,
        "provisional": True,
        "sentences": list(look.lines),
        "suggests": look.suggests.word,
        "reasons": list(look.suggests.reasons),
        "impulse [N*s]": look.impulse,
    }
