"""Open and read serial ports, for reading only: the one place that imports the serial driver.

A ``ReadPort`` has no method that writes. On POSIX systems it holds nothing but a descriptor that was opened
read-only, so the kernel itself would refuse a write. Bytes come as they are; what they mean is another
subject.

Opening a port can reset the board behind it: most USB serial chips raise DTR when a port is opened, and many
boards tie DTR to reset. DTR is asked for before opening, so it does not drop and rise again afterwards, but
no driver lets a program open a port without raising it at all.
"""

import errno
import os
import select
import stat
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import serial
from serial.tools import list_ports as driver_list

from standbook.daq.errors import LinkError
from standbook.daq.port_name import port_fault

try:
    import fcntl
    import termios
except ImportError:  # Windows: the driver opens ports exclusively by itself
    HAS_DESCRIPTORS = False
else:
    HAS_DESCRIPTORS = True

MAX_READ: Final = 1 << 16  # bytes handed over at once; far more than a driver buffers (4 kB on Linux)
_GONE: Final = {errno.ENOENT, errno.ENODEV, errno.ENXIO}
_BUSY: Final = {errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK}
_DENIED: Final = {errno.EACCES, errno.EPERM}


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this computer."""

    path: str
    serial_number: str | None  # of the USB device; stays the same whatever the port is called
    description: str


def list_ports() -> tuple[PortInfo, ...]:
    """Return the serial ports that the system knows, without opening any. Pseudo-terminals are not listed."""
    found = [
        PortInfo(port.device, port.serial_number or None, port.description or "serial port")
        for port in driver_list.comports()
    ]
    return tuple(sorted(found, key=lambda port: port.path))


class ReadPort:
    """An open serial port that can be read and closed, and nothing else."""

    __slots__ = ("_close", "_is_open", "_receive", "is_pseudo", "path")

    def __init__(
        self,
        path: str,
        receive: Callable[[float], bytes],
        close: Callable[[], None],
        *,
        is_pseudo: bool = False,
    ) -> None:
        self.path = path
        self.is_pseudo = is_pseudo  # a pseudo-terminal: its name may soon belong to somebody's terminal
        self._is_open = True
        self._receive = receive
        self._close = close

    def read(self, timeout: float) -> bytes:
        """Wait for bytes and return all that are there, at most about 64 KiB.

        Parameters
        ----------
        timeout : float
            How long to wait for the first byte. [s]

        Returns
        -------
        bytes
            Empty when none came in time.

        Raises
        ------
        LinkError
            The port is gone: unplugged, or closed at the other end.
        ValueError
            This side closed it.
        """
        if not self._is_open:
            raise ValueError(f"{self.path}: read after close")
        try:
            return self._receive(timeout)
        except (OSError, serial.SerialException) as error:
            raise LinkError(f"{self.path}: the port was lost ({_cause(error)}); plug it in again") from error

    def close(self) -> None:
        """Close the port. An unplugged port may complain; it is closed either way."""
        if not self._is_open:  # the number of a closed descriptor may belong to another file by now
            return
        self._is_open = False
        with suppress(OSError, serial.SerialException):
            self._close()

    def __enter__(self) -> Self:
        """Return the port itself."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Close the port."""
        self.close()


def open_port(path: str, baud: int) -> ReadPort:
    """Open a serial port for reading: 8 data bits, no parity, 1 stop bit, no flow control, exclusively.

    Parameters
    ----------
    path
        A device path or a link to one, a port name, or ``socket://127.0.0.1:port`` where a rehearsal is served on
        this computer without a pseudo-terminal.
    baud
        Speed. [bit/s] Without meaning on a pseudo-terminal or a socket.

    Raises
    ------
    LinkError
        It is no port's name, there is no such port, somebody else has it, it may not be opened, or the speed is not
        possible.

    Notes
    -----
    Two locks keep others out. flock on the device also holds against root, but only programs that ask
    for it respect it; TIOCEXCL makes the kernel refuse everybody except root (not on pseudo-terminals).
    """
    if fault := port_fault(path):
        raise LinkError(fault)
    if "://" in path or not HAS_DESCRIPTORS:
        return _open_driver(path, baud)
    return _open_descriptor(path, baud)


def no_such_port(path: str) -> LinkError:
    """Report that ``path`` does not exist, and which ports do."""
    present = ", ".join(f"{port.path} ({port.description})" for port in list_ports())
    return LinkError(f"{path}: no such port; " + (f"present: {present}" if present else "no serial port is present"))


# --- POSIX: a descriptor that cannot write -----------------------------------------------------------------


def _open_descriptor(path: str, baud: int) -> ReadPort:
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        raise _refusal(path, error) from error
    try:
        _lock(fd, path)
        _set_line(path, baud)
        is_pseudo = _is_pseudo_terminal(fd)
        # On a pseudo-terminal the kernel's lock would outlive a killed capture: it ends with the last close
        # of either side, and the device that is being rehearsed stays open.
        if not is_pseudo:
            with suppress(OSError):  # a driver without this lock still has the other
                fcntl.ioctl(fd, termios.TIOCEXCL)
    except BaseException:
        os.close(fd)
        raise
    return ReadPort(path, lambda timeout: _receive_descriptor(fd, timeout), lambda: os.close(fd), is_pseudo=is_pseudo)


def _lock(fd: int, path: str) -> None:
    if not stat.S_ISCHR(os.fstat(fd).st_mode) or not os.isatty(fd):
        raise LinkError(f"{path}: not a serial port; name a device such as {_example()}")
    try:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as error:
        raise _refusal(path, error) from error


def _is_pseudo_terminal(fd: int) -> bool:
    """Tell by the missing modem lines."""
    try:
        fcntl.ioctl(fd, termios.TIOCMGET, bytes(4))
    except OSError:
        return True
    return False


def _set_line(path: str, baud: int) -> None:
    """Let the driver set speed, raw mode and DTR through a descriptor of its own, which is closed again."""
    driver = serial.Serial()
    driver.port = path
    driver.dtr = True
    # Makes the driver set VMIN = 1: a read with nothing there then says "try again" and not "end of file",
    # which is how a hang-up looks.
    driver.inter_byte_timeout = 0.0
    try:
        driver.baudrate = baud
        try:
            driver.open()
        except OSError as error:
            # macOS refuses unusual speeds on a pseudo-terminal, where the speed means nothing.
            if error.errno != errno.ENOTTY:
                raise
            driver.baudrate = 115_200
            driver.open()
    except (ValueError, OverflowError) as error:
        raise LinkError(f"{path}: {baud} bit/s is not a speed this port can run at") from error
    except (OSError, termios.error) as error:
        raise _refusal(path, error) from error
    driver.close()


def _receive_descriptor(fd: int, timeout: float) -> bytes:
    if not select.select([fd], [], [], max(0.0, timeout))[0]:
        return b""
    received = bytearray()
    while len(received) < MAX_READ:
        try:
            piece = os.read(fd, MAX_READ)
        except BlockingIOError:
            break
        except OSError:
            if received:  # hand over what came first; the next read meets the same error
                break
            raise
        if not piece:
            if received:
                break
            raise OSError(errno.ENODEV, "hang-up")
        received += piece
    return bytes(received)


# --- anywhere: through the driver --------------------------------------------------------------------------


def _open_driver(path: str, baud: int) -> ReadPort:
    try:
        driver = serial.serial_for_url(path, do_not_open=True)
        driver.baudrate = baud
        driver.dtr = True
        if not HAS_DESCRIPTORS:
            driver.exclusive = True
        driver.open()
    except (ValueError, OSError, serial.SerialException) as error:
        raise _refusal(path, error) from error

    def receive(timeout: float) -> bytes:
        driver.timeout = max(0.0, timeout)
        received = bytearray(driver.read(1))
        driver.timeout = 0
        while received and len(received) < MAX_READ and (waiting := driver.in_waiting):
            received += driver.read(waiting)
        return bytes(received)

    return ReadPort(path, receive, driver.close)


# --- sentences ---------------------------------------------------------------------------------------------


def _refusal(path: str, error: BaseException) -> LinkError:
    number = getattr(error, "errno", None)
    if number in _GONE:
        return no_such_port(path)
    if number in _BUSY:
        return LinkError(f"{path}: the port is busy; another program has it open, close that one first")
    if number in _DENIED:
        return LinkError(
            f"{path}: permission denied; on most Linux systems membership of the group that owns the port"
            f" ({_group(path)}) is needed, then log in again"
        )
    return LinkError(f"{path}: cannot open the port ({_cause(error)})")


def _group(path: str) -> str:
    with suppress(OSError, KeyError, ImportError):
        return Path(path).group()
    return "often dialout"


def _example() -> str:
    return next((port.path for port in list_ports()), "/dev/ttyACM0")


def _cause(error: BaseException) -> str:
    return getattr(error, "strerror", None) or str(error) or type(error).__name__
