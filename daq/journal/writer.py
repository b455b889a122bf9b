"""The journal's writer: one append-only file for each opening of a port, and how such files are named.

A file is created new and never appended to later. Its bytes are those of ``daq.journal.record_format``: a plain Arrow
IPC stream when undamaged. Each message is made in memory and written until it is whole.

Times are integer nanoseconds. This module decides nothing about when to write or to sync, and loads no numpy.
"""

import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Final

from standbook.daq.errors import RecordError
from standbook.daq.journal import record_format
from standbook.daq.journal.record_format import Row
from standbook.daq.storage.durable_file import DiskFile, DurableFile, reason, sync_folder

SUFFIX: Final = ".arrows"


class JournalWriteError(RecordError):
    """The disk refused a write or a sync; all that was written before stands."""


class JournalWriter:
    """Writes one new journal.

    Parameters
    ----------
    path
        A file that does not exist yet.
    meta
        What the file says about itself: device, port, boot of the computer, ...
    create
        How the file comes to be.

    Raises
    ------
    RecordError
        The file exists, the folder is missing or the disk is full; nothing is left behind.
    """

    def __init__(
        self, path: Path, meta: Mapping[str, str], *, create: Callable[[Path], DurableFile] = DiskFile
    ) -> None:
        self.path = path
        self.size = 0  # bytes of whole messages
        self._ended = False
        start = record_format.schema_message(meta) + record_format.EMPTY_BATCH
        try:
            self._file = create(path)
        except FileExistsError:
            raise RecordError(f"{path}: already exists; a journal is never appended to or replaced") from None
        except OSError as error:
            raise RecordError(f"{path}: cannot create the journal: {reason(error)}") from error
        try:
            self._write(start)
            self.sync()
            sync_folder(path.parent)
        except (OSError, JournalWriteError) as error:
            self._file.close()
            with suppress(OSError):
                path.unlink()
            cause = error if isinstance(error, OSError) else error.__cause__
            raise RecordError(f"{path}: cannot start the journal: {reason(cause)}") from error

    def append(self, row: Row) -> None:
        """Write one record, whole.

        Raises
        ------
        JournalWriteError
            The disk did not take it; what was written of it is cut off again.
        ValueError
            More than ``envelope.MAX_DATA`` bytes, or the journal is closed.
        """
        self._write(record_format.row_message(self.size, row))

    def sync(self) -> None:
        """Return when the disk holds all records.

        Raises
        ------
        JournalWriteError
            It could not. It is not asked again: a second "yes" after a failure proves nothing.
        """
        try:
            self._file.sync()
        except OSError as error:
            raise JournalWriteError(f"{self.path}: cannot sync the journal: {reason(error)}") from error

    def close(self) -> None:
        """Mark the end of the stream if the disk takes it, sync, close. Does nothing the second time."""
        if self._ended:
            return
        try:
            self._write(record_format.END_OF_STREAM)
            self.sync()
        finally:
            self._ended = True
            self._file.close()

    def _write(self, message: bytes) -> None:
        if self._ended:
            raise ValueError(f"{self.path}: the journal is closed")
        left = memoryview(message)
        try:
            while left:  # the system may take a part only
                left = left[self._file.write(left) :]
        except OSError as error:
            with suppress(OSError):  # else the torn message stays, which readers know to leave out
                self._file.truncate(self.size)
            raise JournalWriteError(f"{self.path}: cannot write the journal: {reason(error)}") from error
        self.size += len(message)


def journals_of(folder: Path, device: str) -> tuple[Path, ...]:
    """Return the journals of ``device`` in ``folder``, in the order in which its port was opened.

    Raises
    ------
    RecordError
        The folder cannot be read.
    """
    pattern = re.compile(re.escape(device) + r"_(\d{3,})" + re.escape(SUFFIX))
    try:
        numbered = [(int(m[1]), p) for p in folder.iterdir() if (m := pattern.fullmatch(p.name))]
    except OSError as error:
        raise RecordError(f"{folder}: cannot read the folder of the journals: {reason(error)}") from error
    return tuple(path for _, path in sorted(numbered))


def journal_name(device: str, number: int) -> str:
    """Name the journal of an opening, counted from 1: ``<device>_001.arrows``, ``<device>_002.arrows``, ..."""
    return f"{device}_{number:03d}{SUFFIX}"


def next_journal(folder: Path, device: str) -> Path:
    """Return the path for the next opening."""
    present = journals_of(folder, device)
    last = int(present[-1].stem.rpartition("_")[2]) if present else 0
    return folder / journal_name(device, last + 1)
