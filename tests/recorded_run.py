"""Makes run folders with journals as a device and a capture would, for tests of sealing and reading."""

import datetime as dt
from dataclasses import dataclass, field

import numpy as np

from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter, next_journal
from standbook.daq.run.new_run import create_run
from standbook.daq.wire.encoder import beat_body, edge_body, encode_frame, encode_samples, hello_body, note_body
from standbook.daq.wire.hello import Hello, WireChannel, WireLine

TODAY = dt.date(2031, 6, 14)
NOW = dt.datetime(2031, 6, 14, 9, 0, tzinfo=dt.UTC)
WALL_NS = int(NOW.timestamp()) * 1_000_000_000
MONOTONIC_NS = 50_000_000_000_000
ROWS_PER_FRAME = 10
# Hellos that cannot be: what is put for what into that of `fast_hello`, and what is said of it.
REFUSED_HELLOS = [
    (b'"interval_ticks":1000', b'"interval_ticks":0', "interval_ticks is 0, must be"),
    (b'"tick_hz":1000000', b'"tick_hz":0', "tick_hz is 0, must be"),
    (b'"min":-8388608,"max":8388607', b'"min":8388607,"max":-8388608', "channel 'adc0'"),
    (b'"min":-32768,"max":32767', b'"min":-32768,"max":99999', "channel 'adc1'"),
    (b'"tick_hz":1000000', b'"tick_hz":NaN', "tick_hz is nan, must be"),
    (b'"name":"adc1"', b'"name":"' + b"a" * 80 + b'"', "channel name is"),
    (b'"device":"cradle-a"', b'"device":"cradle\\u001b[2J"', r"device is 'cradle\x1b[2J', must be"),
    (b'"boot":17', b'"boot":"17"', "boot is '17', must be"),
]


def starter(folder, number="HF-02"):
    if not (folder / "teasel-2").exists():
        write_campaign(folder, today=TODAY)
    return read_campaign(folder / "teasel-2" / "plans" / f"{number}.toml", today=TODAY)


def plenty(_folder):
    return 10**15


def new_run(folder, *, rehearsal=False, number="HF-02", lock=None, now=NOW):
    return create_run(
        starter(folder, number), lock, rehearsal=rehearsal, now=now, software="standbook test", free=plenty
    )


def fast_hello(*, boot=17, time_scale=1.0, channels=11, tick_hz=1_000_000, interval=1000, serial="0007"):
    first = WireChannel("adc0", "i24", -8_388_608, 8_388_607)
    rest = tuple(WireChannel(f"adc{k}", "i16", -32_768, 32_767) for k in range(1, channels))
    return Hello(
        device="cradle-a",
        serial=serial,
        firmware="1.0.0",
        boot=boot,
        tick_hz=tick_hz,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=interval,
        channels=(first, *rest),
        lines=(WireLine(0, "fire"),),
        time_scale=time_scale,
    )


def plausible_counts(rows, *, channels=11, seed=1):
    """Thrust, decaying pressures and supply with converter noise, in the starter stand's counts."""
    rng = np.random.default_rng(seed)
    decay = np.exp(-np.arange(rows) / max(rows, 1))
    table = np.empty((rows, channels), np.int64)
    table[:, 0] = 440_000 * decay + rng.normal(0, 60, rows)  # 24 bit, 1.2 kN
    for k in range(1, channels):
        table[:, k] = 13_000 * decay + rng.normal(0, 3, rows)
    if channels > 9:
        table[:, 9] = 4000 + rng.normal(0, 2, rows)
    if channels > 10:
        table[:, 10] = 26_667 + rng.normal(0, 1.5, rows)  # 5 V supply
    return table


@dataclass
class Player:
    """A device on a wire, seen by a capture: bytes with arrivals, written as a journal."""

    run: object
    hello: Hello
    rate: float = 1.0  # host seconds per device second
    start_ns: int = MONOTONIC_NS
    delay: object = None  # callable(rng, n) -> seconds
    wall_offset_ns: int = WALL_NS - MONOTONIC_NS
    step_ns: int = 0  # by which a clock step record moves the wall clock
    records: list = field(default_factory=list)  # (host seconds, event, bytes)
    device: str = "cradle-a"  # as the stand calls it
    slept_ns: int = 0  # by which a clock step record moves the boot clock on, and the wall clock with it
    _slept: int = 0

    def at(self, ticks, origin_ticks=0):
        return (ticks - origin_ticks) / self.hello.tick_hz * self.rate / self.hello.time_scale

    def play(self, counts, *, sequence=0, ticks=0, edges=(), drop=(), beats=True, host_start=0.0, hello=True, notes=()):
        """Send rows; ``edges`` are (ticks, level), ``drop`` are frame numbers that never arrive."""
        rng = np.random.default_rng(11)
        frames = encode_samples(self.hello, sequence, ticks, 0, counts, ROWS_PER_FRAME)
        interval = self.hello.interval_ticks
        sent = []
        if hello:
            sent.append((host_start, encode_frame(hello_body(self.hello))))
        told, past = list(edges), []
        for number, frame in enumerate(frames):
            last = min((number + 1) * ROWS_PER_FRAME, len(counts)) - 1
            now = ticks + last * interval
            arrival = host_start + self.at(now, ticks)
            while told and told[0][0] <= now:
                when, level, *lost = told.pop(0)
                past.append((when, level))
                if not lost:
                    body = edge_body(0, self.hello.boot, level, len(past), when)
                    sent.append((arrival, encode_frame(body)))
            if number not in drop:
                sent.append((arrival, frame))
            if beats and number % 10 == 9:
                count, at, level = (len(past), past[-1][0], past[-1][1]) if past else (0, 0, 0)
                body = beat_body(self.hello.boot, level, now, [(count, at)], [(1, sequence + last + 1)])
                sent.append((arrival, encode_frame(body)))
        for when, severity, text in notes:
            body = note_body(severity, self.hello.boot, when, text)
            sent.append((host_start + self.at(when, ticks), encode_frame(body)))
        sent.sort(key=lambda item: item[0])
        late = self.delay(rng, len(sent)) if self.delay else np.full(len(sent), 0.002)
        for (host, data), wait in zip(sent, late, strict=True):
            self.records.append((host + wait / self.hello.time_scale, Event.DATA, data))
        return self

    def write(self, *, close=True, host_boot="one"):
        """Write all that was played as the next journal."""
        path = next_journal(self.run / "raw", self.device)
        journal = JournalWriter(path, {"device": self.device, "host_boot": host_boot})
        events = [(0.0, Event.OPENED, b""), *self.records]
        now = 0.0
        for when, event, data in events:
            now = max(now, when)
            self.wall_offset_ns += self.step_ns if event is Event.CLOCK_STEP else 0
            self._slept += self.slept_ns if event is Event.CLOCK_STEP else 0
            self._append(journal, now, event, data)
        if close:
            self._append(journal, now, Event.CLOSED, b"")
            journal.close()
        else:
            journal.sync()
            journal._file.close()
        self.records = []
        return path

    def _append(self, journal, seconds, event, data):
        arrival = self.start_ns + round(seconds * 1e9)
        awake = arrival + self._slept
        journal.append(Row(arrival, awake + self.wall_offset_ns, awake, event, data))
