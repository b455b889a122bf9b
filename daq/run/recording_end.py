"""How a recording ended, in a small file beside its journals: written when it begins, and again when it is over.

A recording program that is killed leaves the first word, which says that nobody said how it ended. The file has room
to spare, so that the last word has a place on a disk that takes nothing more.
"""

import os
from contextlib import suppress
from pathlib import Path
from typing import Final

from pydantic import ValidationError

from standbook.daq.config.toml_document import Document
from standbook.daq.errors import RecordError
from standbook.daq.regular_file import read_regular
from standbook.daq.run.record_summary import NoteRecord
from standbook.daq.storage.atomic_write import write_atomic
from standbook.daq.storage.durable_file import reason

END_FILE: Final = "recording_end.json"
ROOM: Final = 4096  # bytes, one block of most disks


class RecordingEnd(Document):
    """Why a recording is over."""

    reason: str  # one clause, "somebody said stop"
    is_early: bool  # somebody must look: it did not end because it was meant to


UNTOLD: Final = RecordingEnd(
    reason="the recording program did not say how: it was killed, the computer stopped, or the disk took nothing more",
    is_early=True,
)


def write_recording_end(raw: Path, end: RecordingEnd) -> None:
    """Write how a recording ended into the folder of its journals; on a full disk over the word that stands there.

    Raises
    ------
    RecordError
        The disk refuses.
    """
    content = f"{end.model_dump_json(indent=1)}\n".encode().ljust(ROOM)
    place = raw / END_FILE
    try:
        write_atomic(place, content)
    except RecordError:
        if not _has_room(place, content):
            raise
        _write_over(place, content)


def _has_room(place: Path, content: bytes) -> bool:
    with suppress(OSError):
        return place.stat().st_size >= len(content)
    return False


def _write_over(place: Path, content: bytes) -> None:
    """Write into the blocks that a file has; one torn by a crash meanwhile is told as unreadable."""
    try:
        with place.open("r+b") as file:
            file.write(content)
            file.truncate()
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise RecordError(f"{place}: cannot be written: {reason(error)}") from error


def recording_end_notes(raw: Path) -> tuple[NoteRecord, ...]:
    """Return what the record should say of its end; nothing where no recorder wrote a word."""
    try:
        end = RecordingEnd.model_validate_json(read_regular(raw / END_FILE))
    except FileNotFoundError:
        return ()
    except (OSError, ValidationError):
        return (NoteRecord(severity="serious", host_ns=None, text=f"{END_FILE} cannot be read; how it ended is lost"),)
    text = f"recording ended{' early' if end.is_early else ''}: {end.reason}"
    return (NoteRecord(severity="serious" if end.is_early else "note", host_ns=None, text=text),)
