"""Write durable files: created new, synced, replaced as a whole.

No system promises that a device which says "done" has emptied its own cache. This module knows nothing of
what the files hold.
"""

import errno
import os
from contextlib import suppress
from pathlib import Path
from typing import Final, Protocol

_NO_SPACE: Final = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG}


class DurableFile(Protocol):
    """Interface of a journal's file; tests pass one that fails on purpose."""

    def write(self, data: memoryview) -> int:
        """Write some of ``data`` and return how many bytes were taken."""

    def truncate(self, size: int) -> None:
        """Truncate the file to ``size`` bytes and continue writing there."""

    def sync(self) -> None:
        """Return when the device reports that it holds all that was written."""

    def close(self) -> None:
        """Close the file."""


class DiskFile:
    """A new file on disk; refuses an existing name."""

    def __init__(self, path: Path) -> None:
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
        self._fd = os.open(path, flags, 0o644)

    def write(self, data: memoryview) -> int:
        """Write some of ``data``."""
        taken = os.write(self._fd, data)
        if taken <= 0:
            raise OSError(errno.EIO, "the disk took no byte")
        return taken

    def truncate(self, size: int) -> None:
        """Cut back to ``size``."""
        os.ftruncate(self._fd, size)
        os.lseek(self._fd, size, os.SEEK_SET)

    def sync(self) -> None:
        """Force data and size to the device."""
        _sync_descriptor(self._fd)

    def close(self) -> None:
        """Close the descriptor."""
        os.close(self._fd)


def _sync_descriptor(fd: int) -> None:
    # fdatasync also makes the size durable. On macOS fsync leaves the data in the drive's cache.
    try:
        from fcntl import F_FULLFSYNC, fcntl  # type: ignore[attr-defined, unused-ignore]  # macOS only
    except ImportError:
        getattr(os, "fdatasync", os.fsync)(fd)
    else:
        fcntl(fd, F_FULLFSYNC)


def sync_folder(folder: Path) -> None:
    """Make the names in ``folder`` durable, where the system can (Windows cannot)."""
    if hasattr(os, "O_DIRECTORY"):
        fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def replace_file(path: Path, data: bytes) -> None:
    """Replace the content of ``path`` atomically: a reader finds the old or the new, never a part of either.

    Synced neither before nor after: after a crash of the computer either may be found, or nothing.
    """
    beside = path.with_name(f"{path.name}.new")
    try:
        beside.write_bytes(data)
        beside.replace(path)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise


def reason(error: BaseException | None) -> str:
    """Explain why the system refused, and what to do when the disk is full."""
    if isinstance(error, OSError):
        if error.errno in _NO_SPACE:
            return "disk full; free some space or choose another disk"
        return error.strerror or str(error)
    return str(error)
