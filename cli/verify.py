"""``standbook verify``: check whether a run is what was sealed, or an archive what was written, and what is missing."""

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from standbook.cli.screen import AsJson, RunPath, say, say_all, say_json
from standbook.daq.errors import EXIT_FINE, RecordError, StandError

if TYPE_CHECKING:
    from standbook.daq.sealing.verify import Verification


WHOLE = "archive: {files:,} files as their sums say, the zip as it was written"


def verify(run: RunPath, as_json: AsJson = False) -> None:
    """Check a run: every hash, every row against a fresh decode of the journals; one line a stream.

    Of FILE.zip, which standbook archive wrote, also the zip itself and its sums, and the results, analysed again to
    nine digits; nothing of it stays on the disk.

    Exit code 0: whole; 10: gaps, damage or not sealed yet; 6: no longer what was sealed or archived.

    Example: standbook verify teasel-2/runs/2031-06-14_HF-02
    """
    from standbook.daq.sealing.verify import verify_run

    found = verified_archive(run) if run.is_file() else verify_run(run)
    if as_json:
        say_json(found.to_json())
    else:
        say(f"{run}:")
        say_all(found.sentences())
    if found.exit_code != EXIT_FINE:
        raise typer.Exit(found.exit_code)


def verified_archive(place: Path) -> "Verification":
    """Check an archive in a temporary folder, which is removed.

    Raises
    ------
    RecordError
        It is none, or a file of it is not what was archived; or the disk refuses.
    """
    from standbook.analysis.archive.container import opened_zip, unpack
    from standbook.daq.config.campaign import RUNS
    from standbook.daq.sealing.verify import verify_run
    from standbook.daq.storage.durable_file import reason

    try:
        with tempfile.TemporaryDirectory(prefix="standbook-") as temporary:
            with opened_zip(place) as (folder, packed):
                unpack(packed, folder, Path(temporary))
                files = len(packed.infolist())
            run = Path(temporary) / RUNS / folder
            if _is_redacted(Path(temporary)):
                return _without_record(files)
            found = verify_run(run)
            checks, findings = _analysed_again(run) if not found.changed else ((), ())
    except OSError as error:
        raise RecordError(f"{place}: cannot be read or unpacked: {reason(error)}") from error
    except StandError as error:
        raise type(error)(str(error).replace(temporary, str(place))) from None
    whole = WHOLE.format(files=files)
    told = ((whole, *found.checks, *checks), (*found.findings, *findings), found.changed)
    checks, findings, changed = (tuple(text.replace(temporary, str(place)) for text in texts) for texts in told)
    return replace(found, checks=checks, findings=findings, changed=changed)


def _is_redacted(unpacked: Path) -> bool:
    """Tell whether an archive is a copy for the public, which holds no record."""
    from standbook.analysis.archive.contents import README
    from standbook.daq.config.campaign import RUNS

    page = unpacked / README
    return not (unpacked / RUNS).exists() and page.is_file() and page.read_bytes().startswith(b"REDACTED COPY")


def _without_record(files: int) -> "Verification":
    from standbook.daq.sealing.verify import Verification

    checks = (WHOLE.format(files=files), "redacted: it holds no record; its first line names the manifest it is of")
    return Verification(sealed=True, streams=(), checks=checks, findings=(), changed=())


def _analysed_again(run: Path) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return what the newest analysis is worth today: a check, or what came out otherwise."""
    from standbook.analysis.archive.again import differences
    from standbook.analysis.opened_run import open_run

    try:
        opened = open_run(run)
        if not opened.is_analysed:
            return ("results: none, it was archived before its analysis",), ()
        numbers, odd = differences(opened)
    except StandError as error:
        return (), (f"results: cannot be analysed again: {error}",)
    by = f"revision {opened.results.revision} by {opened.results.software}"
    if not odd:
        return (f"results: {numbers} numbers of {by} come out again to nine digits",), ()
    return (), (f"results: {by} kept other numbers than this version finds: {'; '.join(odd)}",)
