"""What a capture process says about itself: a small file, replaced as a whole a few times a second.

It is for people and screens. Nobody needs it to read a journal, and capture goes on when it cannot be written.
"""

import json
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import Final

from daq.durable import replace_file

PERIOD: Final = 0.25  # [s] between two writings while data flows


@dataclass(frozen=True, slots=True)
class CaptureStatus:
    """State of one capture process. ``state`` is starting, recording, lost, stopped or failed."""

    device: str
    pid: int
    port: str
    state: str = "starting"
    journal: str = ""  # name of the file being written, or written last
    openings: int = 0
    written_bytes: int = 0  # stream bytes in journals, all openings
    dropped_bytes: int = 0  # stream bytes that the disk was too slow for
    message: str = ""  # one sentence when something is wrong
    exit_code: int | None = None  # once it has ended


def read_status(path: Path) -> CaptureStatus | None:
    """Return the last word of a capture process, or None while there is none."""
    try:
        told = json.loads(path.read_bytes())
        return CaptureStatus(**{field.name: told[field.name] for field in fields(CaptureStatus)})
    except (OSError, ValueError, KeyError, TypeError):
        return None


class StatusBoard:
    """Keeps the status file of this process up to date from a thread of its own.

    Parameters
    ----------
    path
        The file, or None to write none.
    first
        What is true now.
    """

    def __init__(self, path: Path | None, first: CaptureStatus) -> None:
        self._path = path
        self._lock = threading.Lock()
        self._now = first
        self._counts: Callable[[], tuple[int, int]] = lambda: (0, 0)
        self._base = (0, 0)  # counts of earlier openings
        self._ended = threading.Event()
        self._write()
        self._thread = threading.Thread(target=self._repeat, name="status", daemon=True)
        self._thread.start()

    @property
    def now(self) -> CaptureStatus:
        """What would be written now."""
        written, dropped = self._counts()
        return replace(
            self._now, written_bytes=self._base[0] + written, dropped_bytes=self._base[1] + dropped
        )

    def opening(self, port: str, journal: str, counts: Callable[[], tuple[int, int]]) -> None:
        """Say that a port was opened; ``counts`` returns bytes written and dropped since."""
        with self._lock:
            before = self.now
            self._base = (before.written_bytes, before.dropped_bytes)
            self._counts = counts
            self._now = replace(
                before, port=port, journal=journal, state="recording", openings=before.openings + 1, message=""
            )
        self._write()

    def say(self, state: str, message: str = "") -> None:
        """Say that the state changed."""
        with self._lock:
            self._now = replace(self._now, state=state, message=message)
        self._write()

    def end(self, state: str, exit_code: int, message: str = "") -> None:
        """Say the last word."""
        self._ended.set()
        self._thread.join()
        with self._lock:
            self._now = replace(self._now, state=state, exit_code=exit_code, message=message)
        self._write()

    def _repeat(self) -> None:
        while not self._ended.wait(PERIOD):
            self._write()

    def _write(self) -> None:
        if self._path is None:
            return
        with self._lock, suppress(OSError):
            replace_file(self._path, json.dumps(asdict(self.now), indent=1).encode() + b"\n")
