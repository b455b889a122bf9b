"""``standbook watch``: a second screen on a recording in progress, from another terminal."""

import datetime as dt
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import RunPath, Units, check_units, say
from standbook.daq.errors import RecordError

if TYPE_CHECKING:
    from standbook.cli.showing import Showing
    from standbook.daq.live.live_model import Live
    from standbook.daq.recording.observer import RecordingObserver


def watch(
    run: RunPath,
    plain: Annotated[
        bool, typer.Option("--plain", help="Lines instead of the live screen: for logs and screen readers.")
    ] = False,
    units: Units = "",
) -> None:
    """Show a recording in progress on a second screen; it only reads, takes no keys, and ends with the recording.

    Ctrl-C ends this screen alone.

    Example: standbook watch teasel-2/runs/2031-06-14_HF-02
    """
    chosen = check_units(units)
    from standbook.cli.live_words import head_of
    from standbook.cli.showing import Showing, is_screen, live_of, started_at
    from standbook.daq.recording.observer import RecordingObserver
    from standbook.daq.run.run_folder import RAW, read_run_files
    from standbook.daq.wire.saved_layouts import load_layouts

    files = read_run_files(run)
    _check_recorded_now(run)
    created = dt.datetime.fromisoformat(files.info.created_utc)
    stand, began = files.stand.shown_in(chosen), started_at(created)
    live, trouble = live_of(
        files.plan, stand, files.calibrations, run, started_ns=began, rehearsal=files.info.rehearsal
    )
    layouts = {device.name: load_layouts(run, device.name) for device in files.stand.device}
    observer = RecordingObserver(files.stand, run / RAW, layouts)
    observer.poll(live.take)  # what came until now
    head = head_of(files.plan, takes_keys=False, only_watches=True)
    showing = Showing(live, head, run, plain=not is_screen(plain=plain))
    if trouble:
        showing.tell(trouble)
    try:
        _follow(showing, observer, live)
    except KeyboardInterrupt:
        showing.close()
        say("This screen has ended; the recording goes on.")
        return
    finally:
        showing.close()
    say(f"The recording has ended. Its recorder seals {run} now.")


def _check_recorded_now(run: Path) -> None:
    """Refuse a run into which nobody records at this moment."""
    from standbook.daq.run.run_folder import RAW
    from standbook.daq.storage.folder_lock import is_folder_locked
    from standbook.daq.storage.manifest import MANIFEST

    if (run / MANIFEST).exists():
        raise RecordError(f"{run}: nothing is recorded into it any more, it is sealed; try: standbook analyse {run}")
    if not is_folder_locked(run / RAW):
        raise RecordError(
            f"{run}: nobody records into it at this moment; start with: standbook record PLAN, or, when the recorder "
            f"died, recover it with: standbook recover {run}"
        )


def _follow(showing: "Showing", observer: "RecordingObserver", live: "Live") -> None:
    """Show what comes until every device has ended, or the terminal is gone."""
    from standbook.daq.recording.recorder import LOOK_EVERY

    while not showing.is_gone:
        seen = observer.poll(live.take)
        showing.report(seen)
        if len(seen.ended) == len(seen.devices):
            break
        time.sleep(LOOK_EVERY)
