"""Open pseudo-terminals, the ports of simulated devices. Linux and macOS only; importing this module needs none."""

import os
import time
from contextlib import suppress
from typing import Final

from standbook.daq.errors import LinkError

DRAIN: Final = 0.25  # s of real time that a reader is given before the port hangs up, so that it is known what it got
_LOOK_EVERY: Final = 0.002  # [s]


def open_terminal(apart_from: str = "") -> tuple[int, str]:
    """Open a pseudo-terminal in raw mode.

    Parameters
    ----------
    apart_from : str
        A path that it must not have: the system gives a free one again at once.

    Returns
    -------
    (int, str)
        Its master, which does not block, and the path that a reader opens.

    Raises
    ------
    LinkError
        This system has none.
    """
    try:
        import pty
        import tty
    except ImportError:
        raise LinkError(
            "this system has no pseudo-terminals, so a simulated device cannot be served; use Linux or macOS"
        ) from None
    master, slave = pty.openpty()
    if os.ttyname(slave) == apart_from:
        held = master, slave
        master, slave = pty.openpty()
        for descriptor in held:
            os.close(descriptor)
    tty.setraw(slave)  # before the first byte: an echo or a translated newline would damage frames
    path = os.ttyname(slave)
    # With our end of the slave closed, the master hangs up until a reader has opened it.
    os.close(slave)
    os.set_blocking(master, False)
    return master, path


def drained(path: str) -> int:
    """Wait for the reader of a pseudo-terminal to take what it holds; return the number of bytes not taken."""
    deadline = time.monotonic() + DRAIN
    with suppress(OSError):
        spy = os.open(path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            time.sleep(_LOOK_EVERY)  # for what is on its way from the master
            while (left := unread(spy)) and time.monotonic() < deadline:
                time.sleep(_LOOK_EVERY)
            return left
        finally:
            os.close(spy)
    return 0


def unread(descriptor: int) -> int:
    """Return how many bytes wait for the reader of an open pseudo-terminal."""
    import fcntl
    import termios

    return int.from_bytes(fcntl.ioctl(descriptor, termios.FIONREAD, bytes(4)), "little")
