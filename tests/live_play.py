"""A made-up test played into the live picture in memory: frames as a device sends them, arrivals by a made-up clock."""

import dataclasses

import numpy as np

from standbook.daq.config.calibration import from_si
from standbook.daq.config.signal_conversion import counts_from_signal
from standbook.daq.live.live_model import Live
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table, script
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.hello import TYPE_RANGES, WireChannel, WireLine

STARTED = 5_000_000_000_000  # monotonic [ns]
READ_EVERY = 20_000_000  # of capture [ns]
LATENCY = 4_000_000  # of the link [ns]


def said_of(table, *, faults=(), time_scale=1.0):
    """Give the frames of a table in pieces as capture writes them: seconds, bytes."""
    piece, due = b"", READ_EVERY / 1e9 * time_scale
    for item in script(table, faults=faults, time_scale=time_scale):
        while item.at > due:
            if piece:
                yield due, piece
            piece, due = b"", due + READ_EVERY / 1e9 * time_scale
        piece += item.frame
    yield due, piece


class Played:
    """Plays one device into a ``Live`` and looks at it ten times a second."""

    def __init__(self, campaign, device, *, bands=None, layouts=(), time_scale=1.0, **more):
        self.live = Live(campaign.plan, campaign.stand, campaign.calibrations, started_ns=STARTED, bands=bands, **more)
        self.device, self.time_scale = device, time_scale
        self.decoder = Decoder(layouts)
        self.hellos = {hello.name: hello for hello in layouts}
        self.states = []  # (seconds of the device since its first row, LiveState)
        self._next = 0.0

    def at(self, seconds):
        """Turn seconds of the device into the monotonic clock."""
        return STARTED + LATENCY + round(seconds / self.time_scale * 1e9)

    def give(self, seconds, piece):
        """Hand over bytes that arrive now."""
        decoded = self.decoder.feed(piece)
        self.hellos.update({hello.name: hello for hello, _ in decoded.hellos})
        self.live.take(
            Taken(device=self.device, decoded=decoded, arrival_ns=self.at(seconds), hellos=tuple(self.hellos.values()))
        )

    def play(self, pieces, *, look_every=0.1, until=None, on_look=None):
        """Play pieces; a picture is taken every ``look_every`` seconds, silence included."""
        for seconds, piece in pieces:
            if until is not None and seconds > until:
                break
            self.look_until(seconds, look_every, on_look)
            self.give(seconds, piece)
        return self

    def look_until(self, seconds, look_every=0.1, on_look=None):
        """Let time pass."""
        while self._next <= seconds:
            if on_look is not None:
                on_look(self._next, self)
            self.states.append((self._next, self.live.state(self.at(self._next))))
            self._next += look_every
        return self

    @property
    def alarms(self):
        """Every alarm sentence, with the time it was first shown."""
        found = {}
        for seconds, state in self.states:
            for sentence in state.alarms:
                found.setdefault(sentence, seconds)
        return found


RATE = 1000  # rows a second of a made-up table
QUIET = {"voltage": 5.0, "temperature": 288.15}  # [SI] where a test does not say


def table_of(
    campaign,
    seconds,
    courses=None,
    *,
    edges=(),
    device="cradle-a",
    noise=4.0,
    seed=1,
    start_ticks=0,
    lines=("fire", "valve"),
    rate=RATE,
):
    """Make a table for one device of the stand from readings.

    ``courses``: tag to readings [SI], a number or one per row; others stand at zero. ``edges``: (seconds, line, level).
    ``noise``: standard deviation in counts of 16 bit.
    """
    rows = round(seconds * rate)
    random = np.random.default_rng(seed)
    inputs = [item for item in campaign.stand.input if item.device == device]
    columns, channels = [], []
    for item in inputs:
        calibration = campaign.calibrations[item.tag]
        value = (courses or {}).get(item.tag, QUIET.get(calibration.dimension, 0.0))
        reading = from_si(np.broadcast_to(np.asarray(value, float), rows).copy(), calibration)
        supply = 5.0 if item.supply else 1.0
        wide = item.kind == "bridge"
        counts = counts_from_signal(item, calibration.signal(reading), supply)
        counts = counts + noise * (100.0 if wide else 1.0) * random.standard_normal(rows)
        kind = "i24" if wide else "i16"
        low, high = TYPE_RANGES[kind]
        columns.append(np.clip(np.rint(counts), low, high).astype(np.int32))
        channels.append(WireChannel(item.wire, kind, low, high))
    hz = 1_000_000
    return Table(
        device=device,
        serial="0007",
        firmware="test",
        boot=3,
        tick_hz=hz,
        start_ticks=start_ticks,
        streams=(
            PlayedStream(
                number=1,
                name="fast",
                interval_ticks=hz // rate,
                channels=tuple(channels),
                counts=np.column_stack(columns),
            ),
        ),
        lines=tuple(WireLine(number, name) for number, name in enumerate(lines)),
        edges=tuple(PlayedEdge(round(at * hz), lines.index(line), level) for at, line, level in edges),
    )


def column_of(campaign, tag, device="cradle-a"):
    """Give the place of a tag in a table of ``table_of``."""
    return [item.tag for item in campaign.stand.input if item.device == device].index(tag)


def with_counts(table, place, change):
    """Change the counts of one column; ``change`` works on them in place."""
    stream = table.streams[0]
    counts = stream.counts.copy()
    change(counts[:, place])
    return dataclasses.replace(table, streams=(dataclasses.replace(stream, counts=counts),))
