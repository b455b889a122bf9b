"""Start and stop capture processes from the program that a person runs.

A capture process runs in a session of its own: Ctrl-C in the terminal reaches the parent alone, which then
asks for the normal stop; closing the terminal or a crash of the parent leaves the capture recording until
somebody ends it (its status file says which process it is).
"""

import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Final, Protocol

from standbook.daq.capture.process_status import CaptureStatus, read_status, status_path
from standbook.daq.errors import LinkError, RecordError, StandError
from standbook.daq.journal.writer import journals_of

_LOOK_EVERY: Final = 0.02  # [s]
_BRANCHES: Final = {branch.exit_code: branch for branch in (LinkError, RecordError)}


class Capturing(Protocol):
    """Interface of a capture in progress; a ``CaptureHandle`` implements it."""

    device: str

    def status(self) -> CaptureStatus | None:
        """Return the status that the process reports."""

    def poll(self) -> int | None:
        """Return the exit code, or None while it runs."""

    def error(self) -> StandError | None:
        """Return the error that ended it early, or None."""

    def wait_until_recording(self, timeout: float = ...) -> None:
        """Return once the port is open and its journal begun."""

    def stop(self, timeout: float = ...) -> int:
        """Ask for the normal stop and wait for it."""


class CaptureHandle:
    """Handle of a capture process that was started here."""

    def __init__(self, process: subprocess.Popen[bytes], device: str, folder: Path, status: Path) -> None:
        self._process = process
        self.device = device
        self.folder = folder
        self.status_path = status
        self._last_words = ""
        self._journals_before = len(self.journals)

    @property
    def pid(self) -> int:
        """Number of the process."""
        return self._process.pid

    @property
    def journal_path(self) -> Path | None:
        """The journal being written, or written last; None before the port is open."""
        status = self.status()
        return self.folder / status.journal if status is not None and status.journal else None

    @property
    def journals(self) -> tuple[Path, ...]:
        """All journals of this device in the folder, oldest first."""
        return journals_of(self.folder, self.device)

    def status(self) -> CaptureStatus | None:
        """Return the status that the process reports, at most about 0.3 s old."""
        status = read_status(self.status_path)
        return status if status is not None and status.pid == self.pid else None

    def poll(self) -> int | None:
        """Return the exit code, or None while it runs; negative: ended by that signal."""
        code = self._process.poll()
        if code is not None and self._process.stderr is not None and not self._process.stderr.closed:
            self._last_words = self._process.stderr.read().decode(errors="replace").strip()
            self._process.stderr.close()
        return code

    def error(self) -> StandError | None:
        """Return the error that ended it, in the branch that it belongs to, or None."""
        code = self.poll()
        if code is None or code == 0:
            return None
        if code in _BRANCHES:
            return _BRANCHES[code](self._last_words or f"{self.device}: capture ended with code {code}")
        how = f"by signal {-code}" if code < 0 else f"with code {code}"
        return RecordError(
            f"{self.device}: capture ended unexpectedly {how}; its journal holds all that was written"
            + (f" ({self._last_words.splitlines()[-1]})" if self._last_words else "")
        )

    def wait_until_recording(self, timeout: float = 10.0) -> None:
        """Return once the port is open and its journal begun.

        Raises
        ------
        LinkError
            The port cannot be opened, or nothing happens for ``timeout`` seconds.
        RecordError
            The journal cannot be written.
        """
        deadline = time.monotonic() + timeout
        while True:
            code = self.poll()
            error = self.error()
            if error is not None:
                raise error
            status = self.status()
            if code is not None or (status is not None and status.openings > 0):
                return
            if status is None and len(self.journals) > self._journals_before:
                return  # the disk had no room for the status; it is for people, and nobody needs it to record
            if time.monotonic() > deadline:
                raise LinkError(f"{self.device}: the port did not open within {timeout:g} s; unplug it and try again")
            time.sleep(_LOOK_EVERY)

    def stop(self, timeout: float = 10.0) -> int:
        """Ask for the normal stop, wait for it, and return the exit code.

        A process that does not end in time is killed: its journal keeps all that was written and only lacks
        the mark that proves a normal end.
        """
        if self.poll() is None:
            self._process.send_signal(_stop_signal())
            try:
                self._process.wait(timeout)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait()
        code = self.poll()
        assert code is not None  # noqa: S101  # it has ended
        return code


def _stop_signal() -> int:
    if sys.platform == "win32":
        return signal.CTRL_BREAK_EVENT
    return signal.SIGTERM


def _creation_flags() -> int:
    if sys.platform == "win32":
        return subprocess.CREATE_NEW_PROCESS_GROUP
    return 0


def start_capture(device: str, port: str, baud: int, folder: Path, *, status: Path | None = None) -> CaptureHandle:
    """Start recording ``port`` into journals ``<device>_001.arrows``, ... in ``folder``.

    Parameters
    ----------
    device
        Name of the device as in stand.toml.
    port, baud
        Path of the port and its speed. [bit/s]
    folder
        An existing folder.
    status
        Where the process says how it is; ``<device>_capture.json`` in ``folder`` unless told otherwise.

    Returns
    -------
    CaptureHandle
        At once; call ``wait_until_recording`` to know that it works.
    """
    status = status or status_path(folder, device)
    command = [sys.executable, "-P", "-m", "standbook.daq.capture.process"]
    told = {"device": device, "port": port, "baud": baud, "folder": folder, "status": status}
    command += [f"--{name}={value}" for name, value in told.items()]  # a value may begin with a dash
    process = subprocess.Popen(  # noqa: S603  # our own program, no shell
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,  # one sentence at the very end, so the pipe never fills
        start_new_session=True,
        creationflags=_creation_flags(),
    )
    return CaptureHandle(process, device, folder, status)
