"""Write files and folders atomically: whole under their name and on the disk, or not at all.

What is made is made beside its place, forced to the disk, then renamed: a crash leaves the old or the new.
This module knows nothing of what the files hold.
"""

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from standbook.daq.errors import RecordError
from standbook.daq.storage.durable_file import reason, sync_folder


@contextmanager
def atomic_path(place: Path) -> Iterator[Path]:
    """Yield a temporary path beside ``place``; rename it into place when the block ends without an error.

    Raises
    ------
    RecordError
        The disk refused, or ``place`` is a folder that exists, or has no name of its own, such as ``/``.
    """
    if not place.name:
        raise RecordError(f"{place}: is a folder; give the name of a file in it")
    beside = place.with_name(f".{place.name}.{os.getpid()}.new")
    is_new = False
    try:
        yield beside
        _sync(beside)
        is_new = not place.exists()
        beside.replace(place)
        sync_folder(place.parent)
    except OSError as error:
        if is_new and not beside.exists():  # renamed, but the disk does not vouch for the name
            with suppress(OSError):
                place.replace(beside)
        raise RecordError(f"{place}: cannot be written: {reason(error)}") from error
    finally:
        _remove(beside)


def clear_staged(folder: Path) -> None:
    """Remove half-made files of a killed process anywhere in ``folder``; nobody else may be writing there."""
    for left in list(folder.rglob(".*.new")):
        _remove(left)


def write_atomic(place: Path, content: bytes) -> None:
    """Write one file atomically; as for :func:`atomic_path`."""
    with atomic_path(place) as beside:
        beside.write_bytes(content)


def _sync(path: Path) -> None:
    if path.is_dir():
        for inside in path.iterdir():
            _sync(inside)
        sync_folder(path)
        return
    fd = os.open(path, os.O_RDWR)  # Windows flushes only what is open for writing
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def _remove(path: Path) -> None:
    with suppress(OSError):
        if path.is_dir():
            shutil.rmtree(path)
        else:
            path.unlink(missing_ok=True)
