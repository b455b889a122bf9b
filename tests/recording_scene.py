"""Boards, a clock and a script of what happens: a recording without ports, processes and waiting.

Captures are stand-ins that write journals as real ones do; time is moved by hand.
"""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from standbook.daq.capture.disk_space import DiskSpace
from standbook.daq.capture.process_status import CaptureStatus
from standbook.daq.config.stand import Device, Stand
from standbook.daq.errors import StandError
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter, next_journal
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.recording.recorder import RecordEnd, Watch, record_devices
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import Hello, WireChannel

ROWS = 20  # a look


def hello(device: str, serial: str = "0007", boot: int = 1) -> Hello:
    channels = (WireChannel("adc0", "i24", -(2**23), 2**23 - 1),)
    return Hello(
        device=device,
        serial=serial,
        firmware="1.0.0",
        boot=boot,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=channels,
        lines=(),
    )


class Board:
    """A stand-in for a capture process with the board that it records."""

    def __init__(self, scene: "Scene", device: str, folder: Path) -> None:
        self.device, self._scene, self._folder = device, scene, folder
        self._sequence, self.stopped, self._code = 0, False, None
        self._error: StandError | None = None
        self._status = CaptureStatus(device=device, pid=1, port=f"/dev/{device}", state="recording")
        self._journal: JournalWriter | None = None
        self.told = hello(device)

    def open(self) -> None:
        self.open_port()
        self._append(Event.DATA, encode_frame(hello_body(self.told)))

    def open_port(self) -> None:
        path = next_journal(self._folder, self.device)
        self._journal = JournalWriter(path, {"device": self.device})
        openings = self._status.openings + 1
        self._status = replace(self._status, state="recording", journal=path.name, openings=openings)
        self._append(Event.OPENED, b"")

    def send(self) -> None:
        if self._journal is not None and self._status.state == "recording":
            counts = np.full((ROWS, 1), 5, dtype=np.int32)
            ticks = self._sequence * 1000
            for frame in encode_samples(self.told, self._sequence, ticks, 0, counts, ROWS):
                self._append(Event.DATA, frame)
            self._sequence += ROWS

    def unplug(self) -> None:
        self._append(Event.LOST, b"hang-up")
        self._append(Event.CLOSED, b"hang-up")
        self._status = replace(self._status, state="lost")

    def replug(self, told: Hello) -> None:
        self.told = told
        self.open()

    def die(self, error: StandError | None) -> None:
        self._error, self._code = error, error.exit_code if error is not None else 0

    def _append(self, event: Event, data: bytes) -> None:
        assert self._journal is not None
        now = self._scene.now_ns
        self._journal.append(Row(now, now, now, event, data))
        written = self._status.written_bytes + (len(data) if event is Event.DATA else 0)
        self._status = replace(self._status, written_bytes=written, written_ns=now, synced_ns=now)

    # --- what the recorder asks of a capture

    def status(self) -> CaptureStatus | None:
        return self._status

    def poll(self) -> int | None:
        return self._code

    def error(self) -> StandError | None:
        return self._error

    def wait_until_recording(self, timeout: float = 10.0) -> None:
        self.open()

    def stop(self, timeout: float = 10.0) -> int:
        if self._code is None and self._status.state == "recording":
            self._append(Event.CLOSED, b"stopped")
        self._code = self._code or 0
        self.stopped = True
        return self._code


class Scene:
    """Some boards, a clock, and a script of what happens at which look."""

    def __init__(
        self, folder: Path, devices: tuple[str, ...] = ("cradle-a",), *, board: type[Board] = Board, **options: str
    ) -> None:
        self.folder, self.now = folder, 100.0
        self.stand = Stand.model_construct(device=tuple(Device(name=name, **options) for name in devices))
        self._board = board
        self.boards: dict[str, Board] = {}
        self.events: dict[int, Callable[[], None]] = {}
        self.looks = 0
        self.watches: list[Watch] = []
        self.told: list[str] = []
        self.free = 10**12

    @property
    def now_ns(self) -> int:
        return round(self.now * 1e9)

    def pause(self, seconds: float) -> None:
        self.now += seconds
        self.looks += 1
        for board in self.boards.values():
            board.send()
        self.events.get(self.looks, lambda: None)()

    def start(self, device: str, _port: str, _baud: int, folder: Path) -> Board:
        self.boards[device] = self._board(self, device, folder)
        return self.boards[device]

    def record(
        self,
        *,
        looks: int = 20,
        stop: Callable[[Watch], bool] | None = None,
        report: Callable[[Watch], None] | None = None,
        taken: Callable[[Taken], None] | None = None,
    ) -> RecordEnd:
        return record_devices(
            self.stand,
            {device.name: f"/dev/{device.name}" for device in self.stand.device},
            self.folder,
            stop=stop or (lambda _: self.looks >= looks),
            report=report or self.watches.append,
            taken=taken,
            tell=self.told.append,
            **self.means(),
        )

    def means(self) -> dict[str, Any]:
        """Return what a recorder is handed in place of processes, disk and time."""
        return {
            "start": self.start,
            "disk_space": DiskSpace(self.folder, free=lambda _: self.free),
            "pause": self.pause,
            "clock": lambda: self.now,
        }

    def rows_on_disk(self, device: str = "cradle-a") -> int:
        """Count rows by what the board sent, if the journal holds all of it and was closed."""
        journal = read_journal(self.folder / f"{device}_001.arrows")
        assert journal.closed
        assert len(journal.stream) == self.boards[device].status().written_bytes
        return self.boards[device]._sequence
