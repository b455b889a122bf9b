"""``standbook archive``: write a run with all that a stranger needs into one zip."""

import filecmp
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import Hide, Redacted, RunPath, check_hide, now, say, say_all
from standbook.daq.errors import EXIT_FINDINGS, RecordError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from standbook.analysis.archive.container import Entry

GROUPS, IN_LINE = 4, 8  # digits in a group, groups in a line of the logbook


def archive(
    run: RunPath,
    to: Annotated[
        Path | None, typer.Option("--to", metavar="FILE.zip", help="The zip; else RUN_rev-A.zip in this folder.")
    ] = None,
    redacted: Redacted = False,
    hide: Hide = None,
) -> None:
    """Write a run, its exports, a page for a stranger, recompute.py and the sums of all into one zip.

    The same run gives the same bytes, and an existing file is never written over by others. The SHA-256 that is printed
    belongs into the paper logbook; standbook verify FILE.zip reads the zip again. Exit code 10 where something is
    missing, such as an analysis. With --redacted tables and report alone, for the public.

    Example: standbook archive teasel-2/runs/2031-06-14_HF-02 --to HF-02.zip
    """
    from standbook.analysis.archive.contents import archive_of
    from standbook.analysis.opened_run import open_run
    from standbook.daq.storage.durable_file import reason

    hidden = check_hide(hide, redacted=redacted)
    folder = run.resolve()
    opened = open_run(folder)
    state = f"rev-{opened.results.revision}" if opened.is_analysed else "not-analysed"
    if redacted:
        from standbook.analysis.archive.redacted import redacted_archive
        from standbook.analysis.redaction.run_redaction import redaction_of

        made, searched = redacted_archive(opened, redaction_of(folder, hidden), now=now())
        state += "_redacted"
        say(f"{searched}.")
    else:
        made = archive_of(opened)
    place = to if to is not None else Path(f"{made.folder}_{state}.zip")
    if folder in place.resolve().parents:
        raise UsageError(f"{place}: lies in the run itself, to which nothing is added; name a place outside with --to")
    try:
        digest = _written(place, made.folder, made.entries)
    except OSError as error:
        raise RecordError(f"{place}: cannot be written: {reason(error)}") from error
    rehearsal = ", a REHEARSAL" if opened.record.info.rehearsal else ""
    say(f"Archive: {place}{rehearsal}, {place.stat().st_size:,} bytes, {len(made.entries) + 1} files")
    say("Its SHA-256, for the paper logbook:")
    say_all(in_groups(digest))
    say_all((f"Missing: {text}" for text in made.missing), indent="")
    say(f"Next: standbook verify {place}")
    if made.missing:
        raise typer.Exit(EXIT_FINDINGS)


def _written(place: Path, folder: str, entries: "Sequence[Entry]") -> str:
    """Write a zip beside its place and give it the name; what stands there stays, unless it is the same."""
    from standbook.analysis.archive.container import write_zip
    from standbook.daq.storage.atomic_write import atomic_path
    from standbook.daq.storage.manifest import sha256_of

    place.parent.mkdir(parents=True, exist_ok=True)
    with atomic_path(place) as beside:
        write_zip(beside, folder, entries)
        if place.exists() and not (place.is_file() and filecmp.cmp(beside, place, shallow=False)):
            raise RecordError(f"{place}: exists and holds something else; give another name with --to")
        return sha256_of(beside)


def in_groups(digest: str) -> list[str]:
    """Return a hash as people copy it by hand: four digits a group, eight groups a line."""
    groups = [digest[k : k + GROUPS] for k in range(0, len(digest), GROUPS)]
    return [" ".join(groups[k : k + IN_LINE]) for k in range(0, len(groups), IN_LINE)]
