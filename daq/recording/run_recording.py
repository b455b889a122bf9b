"""Recording into the folder of a run: when it is over, what is refused, and what is kept of it.

Ports, clock, captures and reporting are handed in; ``daq.recording.recorder`` does the recording itself.
"""

import shutil
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from standbook.daq.capture.disk_space import DiskSpace
from standbook.daq.capture.launcher import Capturing, start_capture
from standbook.daq.config.stand import Stand
from standbook.daq.errors import LinkError, RecordError, StandError
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.recording.recorder import RecordEnd, Watch, record_devices
from standbook.daq.run.recording_end import UNTOLD, RecordingEnd, write_recording_end
from standbook.daq.run.run_folder import RAW
from standbook.daq.wire.saved_layouts import load_layouts

GONE_FOR: Final = 10.0  # [s] without any port until a rehearsal counts as over; one unplugged comes back sooner


class MadeUpError(LinkError):
    """Simulated data, about to be recorded as a test."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RecordingOrder:
    """What is to be recorded, and until when."""

    number: str  # of the test
    stand: Stand
    ports: Mapping[str, str]  # by device
    folder: Path  # of the run, as new
    rehearsal: bool  # the data may be simulated
    seconds: float | None  # ``None``: until somebody says stop [s]


def record_run_into(
    order: RecordingOrder,
    *,
    stopped: Callable[[], bool],
    report: Callable[[Watch], None],
    taken: Callable[[Taken], None],
    tell: Callable[[str], None],
    start: Callable[[str, str, int, Path], Capturing] = start_capture,
    disk_space: DiskSpace | None = None,
    pause: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> RecordEnd:
    """Record into the folder of a run; a folder into which nothing valid came is taken away again.

    Parameters
    ----------
    order : RecordingOrder
        What is to be recorded.
    stopped
        Tells whether somebody said stop.
    report, taken, tell, start, disk_space, pause, clock
        As for :func:`~standbook.daq.recording.recorder.record_devices`.

    Raises
    ------
    MadeUpError
        The data are simulated and this is no rehearsal; nothing is kept.
    LinkError, FrameError, RecordError
        As the recorder has it. Where valid frames had come the folder stays, and can be recovered; where not one byte
        came, it does not.
    """
    course = _Course(order, stopped, report)
    raw = order.folder / RAW
    try:
        write_recording_end(raw, UNTOLD)
        end = record_devices(
            order.stand,
            order.ports,
            raw,
            stop=course.is_over,
            report=course.show,
            taken=taken,
            tell=tell,
            layouts={device.name: load_layouts(order.folder, device.name) for device in order.stand.device},
            start=start,
            disk_space=disk_space,
            pause=pause,
            clock=clock,
        )
    except StandError as error:
        if isinstance(error, MadeUpError) or course.frames == 0:
            _take_away(order.folder)
        else:
            _say_end(raw, RecordingEnd(reason=str(error), is_early=True))
        raise
    _say_end(raw, RecordingEnd(reason=str(end.trouble or course.why), is_early=end.trouble is not None))
    if not any(seen.received_bytes for seen in end.watch.devices):
        _take_away(order.folder)
        raise end.trouble or LinkError(
            f"{order.number}: not one byte came from {', '.join(order.ports.values())} before recording stopped; no run"
            " is kept"
        )
    return end


def _say_end(raw: Path, end: RecordingEnd) -> None:
    with suppress(RecordError):  # what was written first stands: nobody said how
        write_recording_end(raw, end)


def _take_away(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)


class _Course:
    """Follows a recording, and decides when it is over."""

    def __init__(self, order: RecordingOrder, stopped: Callable[[], bool], report: Callable[[Watch], None]) -> None:
        self.frames = 0  # valid ones of all devices, so far
        self._order, self._stopped, self._report = order, stopped, report
        self._heard = 0.0  # when a device was there last [s]
        self.why = ""  # it is over

    def show(self, watch: Watch) -> None:
        """Take note of what came, and hand it on."""
        self._count(watch)
        self._report(watch)

    def is_over(self, watch: Watch) -> bool:
        """Tell whether to stop: somebody says so, the time is up, a rehearsal has played out. Refuse simulated data."""
        self._count(watch)
        order = self._order
        if watch.rehearsal and not order.rehearsal:
            raise MadeUpError(
                f"{order.number}: the device says that it is simulated; record it with --rehearsal, or plug the "
                "real one in"
            )
        self._heard = self._heard if watch.all_silent else watch.elapsed
        if self._stopped():
            self.why = "somebody said stop"
        elif order.seconds is not None and watch.elapsed >= order.seconds:
            self.why = f"{order.seconds:g} s were over"
        elif order.rehearsal and self._has_played_out(watch):
            self.why = "the rehearsal had played out"
        return bool(self.why)

    def _count(self, watch: Watch) -> None:
        self.frames = sum(seen.frames for seen in watch.devices)

    def _has_played_out(self, watch: Watch) -> bool:
        """Tell whether every board has said that it is through, or is gone for good."""
        said_so = all(seen.device in (*watch.played_out, *watch.ended) for seen in watch.devices)
        return watch.all_silent and (said_so or watch.elapsed - self._heard >= GONE_FOR)
