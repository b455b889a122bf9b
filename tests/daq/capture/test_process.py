"""The capture loop with clocks moved by hand: what is recorded, when it is written, what ends it."""

import random
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from standbook.daq.capture.process import CaptureEnd, Ending, Limits, capture, reopen_candidates
from standbook.daq.capture.serial_port import PortInfo
from standbook.daq.errors import LinkError
from standbook.daq.host_clock import HostTime
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriteError, JournalWriter
from standbook.daq.recovery.decode_wire import recover_wire
from standbook.daq.recovery.device_stream import read_tapes
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import Hello, WireChannel

MS = 1_000_000


class Scene:
    """Port, journal and clocks in one, with a script of what happens at which millisecond.

    ``arrivals`` gives bytes by time; ``lost_at`` hangs the port up; ``stop_at`` asks for the stop. Time
    passes only while the loop waits in ``read``.
    """

    def __init__(
        self,
        arrivals: dict[int, bytes],
        *,
        stop_at: int = 10_000,
        lost_at: int | None = None,
        slept: tuple[int, int] = (-1, 0),
        wall_step: tuple[int, int] = (-1, 0),
        fail_at: int | None = None,
    ) -> None:
        self.arrivals = {at * MS: data for at, data in arrivals.items()}
        self.now_ns = 0
        self.stop_at, self.lost_at, self.fail_at = stop_at * MS, lost_at, fail_at
        self.slept, self.wall_step = slept, wall_step
        self.rows: list[Row] = []
        self.written_at: list[int] = []
        self.syncs: list[tuple[int, int]] = []  # when, and how many rows were there
        self.closes = 0

    def stop(self) -> bool:
        return self.now_ns >= self.stop_at

    def read(self, timeout: float) -> bytes:
        until = self.now_ns + round(timeout * 1e9)
        if self.lost_at is not None and until >= self.lost_at * MS and not self._waiting(self.lost_at * MS):
            self.now_ns = self.lost_at * MS
            raise LinkError("/dev/ttyACM0: the port was lost (hang-up); plug it in again")
        due = [at for at in self.arrivals if at <= until]
        if not due:
            self.now_ns = until
            return b""
        self.now_ns = max(self.now_ns, min(due))
        ready = sorted(at for at in due if at <= self.now_ns)
        return b"".join(self.arrivals.pop(at) for at in ready)

    def _waiting(self, until: int) -> bool:
        return any(at < until for at in self.arrivals)

    def now(self) -> HostTime:
        slept = self.slept[1] * MS if 0 <= self.slept[0] * MS <= self.now_ns else 0
        step = self.wall_step[1] * MS if 0 <= self.wall_step[0] * MS <= self.now_ns else 0
        return HostTime(self.now_ns, 10**18 + self.now_ns + slept + step, self.now_ns + slept)

    def append(self, row: Row) -> None:
        if self.fail_at is not None and self.now_ns >= self.fail_at * MS:
            raise JournalWriteError("raw/a_001.arrows: cannot write the journal: disk full")
        self.rows.append(row)
        self.written_at.append(self.now_ns)

    def sync(self) -> None:
        self.syncs.append((self.now_ns, len(self.rows)))

    def close(self) -> None:
        self.closes += 1
        self.sync()

    def play(self, limits: Limits | None = None) -> CaptureEnd:
        return capture(self, self, self, self.stop, limits, note="/dev/ttyACM0 at 115200 bit/s")

    @property
    def events(self) -> list[Event]:
        return [row.event for row in self.rows]

    @property
    def data(self) -> bytes:
        return b"".join(row.data for row in self.rows if row.event is Event.DATA)


def test_an_opening_is_recorded_from_opened_to_closed() -> None:
    scene = Scene({100: b"abc"}, stop_at=300)
    end = scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.CLOSED]
    assert [row.data for row in scene.rows] == [b"/dev/ttyACM0 at 115200 bit/s", b"abc", b"stopped"]
    assert end == CaptureEnd(Ending.STOPPED, "", 3)
    assert scene.closes == 1


def test_bytes_are_written_within_20_ms_and_synced_within_100_ms_of_being_read() -> None:
    chance = random.Random(5)
    times = sorted(chance.sample(range(1, 5000), 1500))
    sent = {at: bytes([at % 251]) * chance.randrange(1, 40) for at in times}
    scene = Scene(dict(sent), stop_at=5100)
    scene.play()
    assert scene.data == b"".join(sent[at] for at in times)
    offsets, position = {}, 0
    for at in times:
        offsets[position] = at
        position += len(sent[at])
    position = 0
    for number, row in enumerate(scene.rows):
        if row.event is Event.DATA:
            first_read = offsets[position] * MS
            position += len(row.data)
            assert scene.written_at[number] - first_read <= 20 * MS
            synced = min(at for at, count in scene.syncs if count > number)
            assert synced - scene.written_at[number] <= 100 * MS


def test_reads_are_joined_so_that_a_busy_port_costs_few_records() -> None:
    scene = Scene(dict.fromkeys(range(1, 1001), b"x"), stop_at=1100)
    scene.play()
    assert scene.events.count(Event.DATA) <= 1000 / 15 + 1


def test_no_byte_of_a_record_arrived_after_the_instant_it_carries() -> None:
    scene = Scene({10: b"a", 12: b"b", 20: b"c"}, stop_at=200)
    scene.play()
    (row,) = [row for row in scene.rows if row.event is Event.DATA]
    assert (row.data, row.arrival_ns) == (b"abc", 20 * MS)


def test_a_flood_is_cut_into_records_of_bounded_size() -> None:
    scene = Scene({at: bytes(40_000) for at in range(1, 50)}, stop_at=100)
    scene.play()
    assert max(len(row.data) for row in scene.rows) <= (1 << 16) + 40_000
    assert len(scene.data) == 49 * 40_000


def test_what_arrived_before_the_stop_is_recorded() -> None:
    scene = Scene({99: b"a", 100: b"b"}, stop_at=100)
    assert scene.play().received_bytes == 2
    assert scene.data == b"ab"
    assert scene.events[-1] is Event.CLOSED


def test_an_unplugged_port_ends_the_journal_in_order_with_all_bytes() -> None:
    scene = Scene({10: b"abc", 30: b"def"}, lost_at=35)
    end = scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.DATA, Event.LOST, Event.CLOSED]
    assert scene.data == b"abcdef"
    assert end.ending is Ending.LOST
    assert "hang-up" in end.message
    assert b"hang-up" in scene.rows[-2].data
    assert scene.rows[-2].arrival_ns == 35 * MS


def test_a_silent_port_still_has_its_stop_seen_within_50_ms() -> None:
    scene = Scene({}, stop_at=1001)
    scene.play()
    assert scene.rows[-1].arrival_ns <= 1051 * MS


def test_sleep_is_declared_between_the_bytes_before_and_after() -> None:
    scene = Scene({50: b"before", 60: b"after"}, slept=(60, 3_600_000), stop_at=200)
    scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.CLOCK_STEP, Event.DATA, Event.CLOSED]
    assert [row.data for row in scene.rows[1:4]] == [b"before", b"computer slept 3600.000 s", b"after"]


def test_a_wall_clock_that_was_set_is_declared_once() -> None:
    scene = Scene({50: b"a", 300: b"b"}, wall_step=(200, -2500), stop_at=600)
    scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.CLOCK_STEP, Event.DATA, Event.CLOSED]
    assert scene.rows[2].data == b"wall clock stepped -2.500 s"


@pytest.mark.parametrize("fail_at", [0, 100])
def test_a_full_disk_is_an_orderly_end_and_what_was_written_stands(fail_at: int) -> None:
    scene = Scene(dict.fromkeys(range(1, 1000, 10), b"x"), fail_at=fail_at)
    end = scene.play()
    assert end.ending is Ending.DISK
    assert "disk full" in end.message
    assert scene.closes == 1
    assert all(at < max(1, fail_at) * MS for at in scene.written_at)
    assert (len(scene.rows) > 3) == (fail_at > 0)


def test_when_the_disk_takes_the_last_record_the_journal_says_why_it_ended() -> None:
    class OneFailure(Scene):
        def append(self, row: Row) -> None:
            try:
                super().append(row)
            except JournalWriteError:
                self.fail_at = None
                raise

    scene = OneFailure(dict.fromkeys(range(1, 1000, 10), b"x"), fail_at=100)
    assert scene.play().ending is Ending.DISK
    assert scene.rows[-1].event is Event.CLOSED
    assert b"disk full" in scene.rows[-1].data


def test_a_failure_only_at_closing_is_not_hidden() -> None:
    class FailsAtClose(Scene):
        def close(self) -> None:
            raise JournalWriteError("raw/a_001.arrows: cannot sync the journal: Input/output error")

    end = FailsAtClose({1: b"x"}, stop_at=100).play()
    assert (end.ending, end.message) == (
        Ending.DISK,
        "raw/a_001.arrows: cannot sync the journal: Input/output error",
    )


def test_a_disk_that_fills_between_loss_and_its_record_is_told() -> None:
    scene = Scene({1: b"x"}, lost_at=50, fail_at=50)
    end = scene.play()
    assert end.ending is Ending.DISK
    assert scene.events == [Event.OPENED, Event.DATA]


@pytest.mark.parametrize(
    ("serial_number", "present", "expected"),
    [
        (None, [], ("/dev/ttyACM0",)),
        ("0007", [], ("/dev/ttyACM0",)),
        ("0007", [PortInfo("/dev/ttyACM0", "0007", "")], ("/dev/ttyACM0",)),
        ("0007", [PortInfo("/dev/ttyACM1", "0007", "")], ("/dev/ttyACM0", "/dev/ttyACM1")),
        # Another board now has the old name: never open that one.
        ("0007", [PortInfo("/dev/ttyACM0", "0008", ""), PortInfo("/dev/ttyACM3", "0007", "")], ("/dev/ttyACM3",)),
        ("0007", [PortInfo("/dev/ttyACM0", "0008", "")], ()),
    ],
)
def test_a_lost_port_is_looked_for_by_name_and_usb_serial_number(
    serial_number: str | None, present: list[PortInfo], expected: tuple[str, ...]
) -> None:
    assert reopen_candidates("/dev/ttyACM0", serial_number, present) == expected


def test_capture_brings_in_neither_arrow_nor_numpy() -> None:
    program = (
        "import sys, standbook.daq.capture.process; sys.exit(bool({'numpy', 'pyarrow', 'pandas'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_sleep_and_clock_step_become_notes_and_the_gap_of_the_sleep_is_declared(tmp_path: Path) -> None:
    """A board goes on at 1 kHz while the computer sleeps for 30 s; later somebody sets the clock back by 90 s."""
    told = Hello(
        device="cradle-a",
        serial="0007",
        firmware="1",
        boot=3,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=(WireChannel("adc0", "u16", 0, 65535),),
        lines=(),
    )
    journal = JournalWriter(tmp_path / "cradle-a_001.arrows", {"device": "cradle-a", "host_boot": "one"})

    def frames(at_ms: int, host_ms: int) -> bytes:
        counts = np.arange(at_ms - 10, at_ms, dtype=np.int32)[:, np.newaxis]
        (frame,) = encode_samples(told, at_ms - 10, (at_ms - 10) * 1000, 0, counts, 10)
        return (encode_frame(hello_body(told)) if host_ms % 1000 == 10 else b"") + frame

    awake = {ms: frames(ms, ms) for ms in range(10, 4001, 10)}
    # The monotonic clock stands still in sleep: what the board sends after 2 s comes 30 s later on the boot clock.
    arrivals = {ms: data if ms < 2000 else frames(ms + 30_000, ms) for ms, data in awake.items()}
    scene = Scene(arrivals, slept=(2000, 30_000), wall_step=(3000, -90_000), stop_at=4100)
    assert capture(scene, journal, scene, scene.stop).ending is Ending.STOPPED
    device_stream = read_tapes(tmp_path)["cradle-a"]
    texts = [(note.severity, note.text) for note in device_stream.notes]
    assert ("caution", "clock step: computer slept 30.000 s") in texts
    assert ("caution", "clock step: wall clock stepped -90.000 s") in texts
    device = recover_wire(device_stream, origin_ns=0, tolerance=50e-6)
    (segment,) = device.streams[0].segments
    missing = np.flatnonzero(np.diff(segment.sequence) != 1)
    assert segment.sequence[missing].tolist() == [1989]
    assert int(np.diff(segment.sequence)[missing[0]]) - 1 == 30_000
    assert device.clock is not None
    host = device.clock.to_host_ns(segment.key, segment.ticks)
    gap = (host[missing[0] + 1] - host[missing[0]]) / 1e9
    assert gap == pytest.approx(30.001, abs=0.002)  # 50 ppm of 30 s
