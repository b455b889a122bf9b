"""Report the state of a capture process in a small file, replaced as a whole a few times a second.

It is for people and screens. Nobody needs it to read a journal, and capture goes on when it cannot be written.
"""

import json
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import MISSING, asdict, dataclass, fields, replace
from pathlib import Path
from typing import Any, Final, get_type_hints

from standbook.daq.regular_file import read_regular
from standbook.daq.storage.durable_file import replace_file

PERIOD: Final = 0.25  # [s] between two writings while data flows


@dataclass(frozen=True, slots=True, kw_only=True)
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
    written_ns: int = 0  # when the last write was complete, monotonic [ns]; 0: none yet
    synced_ns: int = 0  # when the newest record known to be durable was written, monotonic [ns]; 0: none yet
    longest_sync_ns: int = 0  # from a write until it was known to be durable, the worst so far [ns]


_KINDS: Final[dict[str, Any]] = get_type_hints(CaptureStatus)  # of each field


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """Counts of one opening of a port; a spool keeps them."""

    written_bytes: int = 0
    dropped_bytes: int = 0
    written_ns: int = 0
    synced_ns: int = 0
    longest_sync_ns: int = 0


def status_path(folder: Path, device: str) -> Path:
    """Return the path of a capture process's status file, beside its journals."""
    return folder / f"{device}_capture.json"


def read_status(path: Path) -> CaptureStatus | None:
    """Read the last status that a capture process reported, or None while there is none."""
    try:
        told = json.loads(read_regular(path))
        known = {f.name: told[f.name] for f in fields(CaptureStatus) if f.name in told or f.default is MISSING}
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return None
    is_ours = all(isinstance(value, _KINDS[name]) for name, value in known.items())
    return CaptureStatus(**known) if is_ours else None


def missing_journal(folder: Path, device: str) -> str | None:
    """Name the last journal that capture reports when the file is not there; None when it is, or nothing is reported.

    A journal that is missing in the middle shows by its number; only this tells of a missing last one.
    """
    status = read_status(status_path(folder, device))
    if status is None or not status.journal or Path(status.journal).name != status.journal:
        return None
    try:
        return None if (folder / status.journal).exists() else status.journal
    except OSError:  # what stands there can name no file
        return None


class StatusBoard:
    """Keep the status file of this process up to date from a thread of its own.

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
        self._progress: Callable[[], Progress] = Progress
        self._base = first  # counts of earlier openings
        self._ended = threading.Event()
        self._write()
        self._thread = threading.Thread(target=self._repeat, name="status", daemon=True)
        self._thread.start()

    @property
    def now(self) -> CaptureStatus:
        """Return the status that would be written now."""
        done, base = self._progress(), self._base
        return replace(
            self._now,
            written_bytes=base.written_bytes + done.written_bytes,
            dropped_bytes=base.dropped_bytes + done.dropped_bytes,
            written_ns=max(base.written_ns, done.written_ns),
            synced_ns=max(base.synced_ns, done.synced_ns),
            longest_sync_ns=max(base.longest_sync_ns, done.longest_sync_ns),
        )

    def opening(self, port: str, journal: str, progress: Callable[[], Progress]) -> None:
        """Report that a port was opened; ``progress`` returns what has been written since."""
        with self._lock:
            self._base = before = self.now
            self._progress = progress
            self._now = replace(
                before, port=port, journal=journal, state="recording", openings=before.openings + 1, message=""
            )
        self._write()

    def say(self, state: str, message: str = "") -> None:
        """Report a change of state."""
        with self._lock:
            self._now = replace(self._now, state=state, message=message)
        self._write()

    def end(self, state: str, exit_code: int, message: str = "") -> None:
        """Report the final state."""
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
