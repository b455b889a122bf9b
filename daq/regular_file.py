"""Read files that may be anything: a pipe that never answers or a device that never ends is refused, not waited for."""

import errno
import stat
from pathlib import Path
from typing import Final

TYPED_BYTES: Final = 4 << 20  # more than anybody types
LARGEST: Final = 1 << 28  # of what is read in one piece: a record of a million gaps
TABLE_BYTES: Final = 1 << 30  # of another logger's table
CARD_BYTES: Final = 1 << 32  # of a second recorder's memory card: ten hours of a fast board


def check_regular(path: Path) -> None:
    """Refuse what is no regular file.

    Raises
    ------
    OSError
        It is not there, or is a folder, pipe, socket or device.
    """
    mode = path.stat().st_mode
    if stat.S_ISDIR(mode):
        raise IsADirectoryError(errno.EISDIR, "is a folder, not a file", str(path))
    if not stat.S_ISREG(mode):
        raise OSError(errno.EINVAL, "is a pipe, socket or device, not a file", str(path))


def read_regular(path: Path, *, at_most: int = LARGEST) -> bytes:
    """Read a regular file as a whole.

    Raises
    ------
    OSError
        As for :func:`check_regular`; it cannot be read, or holds more than ``at_most`` bytes.
    """
    check_regular(path)
    if path.stat().st_size > at_most:
        raise OSError(errno.EFBIG, f"holds more than {at_most >> 20} MiB", str(path))
    return path.read_bytes()
