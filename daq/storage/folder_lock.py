"""Lock a folder advisorily; the kernel releases the lock when the writing process exits, even after SIGKILL.

The hold is a shared lock on the folder itself, so nothing is left behind to clean up. Where the system or the
disk knows no such locks (Windows, some network disks) nobody is seen to hold anything.
"""

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

if sys.platform != "win32":
    import fcntl


@contextmanager
def hold_folder_lock(folder: Path) -> Iterator[None]:
    """Hold a shared lock on a folder until the block ends; several processes may."""
    with _opened(folder) as descriptor:
        if sys.platform != "win32" and descriptor is not None:
            with suppress(OSError):
                fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
        yield


def is_folder_locked(folder: Path) -> bool:
    """Tell whether any process, this one included, holds the lock of a folder."""
    with _opened(folder) as descriptor:
        if sys.platform != "win32" and descriptor is not None:
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                return True
            except OSError:
                return False
        return False


@contextmanager
def _opened(folder: Path) -> Iterator[int | None]:
    descriptor = None
    if sys.platform != "win32":
        with suppress(OSError):
            descriptor = os.open(folder, os.O_RDONLY)
    try:
        yield descriptor
    finally:
        if descriptor is not None:
            os.close(descriptor)
