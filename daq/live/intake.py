"""Collect the decoded rows of one device in rings on its time base, with the edges of one of its lines.

A new boot or layout begins new rings; what a device sent before its layout was known is not here. An edge whose frame
was lost is restored from the next beat, with its exact ticks. Ticks are the device's, unwrapped, and put right where
they contradict its row numbers.
"""

from collections.abc import Collection, Iterable

import numpy as np

from standbook.daq.arrays import Ints
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.config.stand import Device
from standbook.daq.live.channel_monitor import Ring
from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.wire.decoder import Decoded
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.line_edges import nearest, nearest_each
from standbook.daq.wire.messages import MODULUS, PLAYED_OUT, Beat, Edge, SampleBlock
from standbook.daq.wire.text_lines import DecodedLines
from standbook.daq.wire.tick_steps import TickFollower

_EDGES = 2**16  # modulus of a line's edge count
_BOOTS = 2**8
LINE_ROWS = 1e-3  # [s]; rings of text boards have room for rows this often
SECOND = 1_000_000_000  # ticks of a text board's time base are nanoseconds


class Intake:
    """Collect the rows and edges of one device.

    Parameters
    ----------
    device : Device
        The stand's entry.
    line : str or None
        The digital line whose edges are wanted.
    streams : collection of str or None
        Names of the streams whose rows are wanted, lest a board that renames its own without end fill memory; all
        when ``None``.
    """

    def __init__(self, device: Device, line: str | None = None, streams: Collection[str] | None = None) -> None:
        self.device = device
        self.base: TimeBase | None = None
        self.rings: dict[str, Ring] = {}  # by stream; a text board has one
        self.played_out = False
        self.is_rehearsal = False
        self.time_scale = 1.0
        self._line, self._streams = line, streams
        self._boot: int | None = None
        self._layouts: dict[str, int] = {}
        self._clocks: dict[str, TickFollower] = {}  # by stream
        self._clock_excess = 0  # of the newest frame [ticks]
        self._earlier: dict[str, Ring] = {}  # by stream: the newest ring, also across a boot
        self._edges_seen: int | None = None  # as the device counts them
        self._began: int | None = None  # ticks of the first row of this boot
        self._arrival: int | None = None

    def take(self, taken: Taken) -> tuple[tuple[Moment, bool], ...]:
        """Take in one decoded piece; return the edges of the line in it, each with the level after it."""
        if isinstance(taken.decoded, DecodedLines):
            self._take_lines(taken.decoded, taken.arrival_ns)
            return ()
        decoded = taken.decoded
        hellos = (*taken.hellos, *(hello for hello, _ in decoded.hellos))
        for hello in hellos:
            self.is_rehearsal |= hello.is_rehearsal
            self.time_scale = hello.time_scale
        self.played_out |= any(note.text == PLAYED_OUT for note in decoded.notes)
        for block in decoded.blocks:
            self._take_block(block, hellos, taken.arrival_ns)
        return self._take_edges(decoded, hellos, taken.arrival_ns)

    # --- rows --------------------------------------------------------------------------------------------

    def _take_block(self, block: SampleBlock, hellos: Iterable[Hello], arrival_ns: int) -> None:
        said = [h for h in hellos if h.stream == block.stream and h.layout == block.layout]
        if not said or not self._enter_boot(block.boot, said[-1]):
            return
        hello, base = said[-1], self.base
        assert base is not None  # noqa: S101 - made by _enter_boot
        excess = self._excess(block, hello, arrival_ns)
        first = base.place(int(block.ticks[0]) - int(excess[0]), arrival_ns)
        ticks = first + nearest_each(block.ticks - excess - (block.ticks[0] - excess[0]), MODULUS)
        base.heard(int(ticks.max()), arrival_ns)
        if self._began is None:
            self._began = int(ticks[0])
        if self._streams is not None and hello.name not in self._streams:
            return
        if self._layouts.get(hello.name) != block.layout:
            self._layouts[hello.name] = block.layout
            ring = Ring(
                base,
                tuple(channel.name for channel in hello.channels),
                tuple(Rails(channel.minimum, channel.maximum) for channel in hello.channels),
                hello.interval_ticks / hello.tick_hz,
            )
            if hello.name in self._earlier:
                ring.learn_from(self._earlier[hello.name])
            self._earlier[hello.name] = self.rings[hello.name] = ring
        self.rings[hello.name].add(ticks, block.counts)

    def _excess(self, block: SampleBlock, hello: Hello, arrival_ns: int) -> Ints:
        """Return what to take from the ticks of each row, where the device's clock contradicts its row numbers."""
        follower = self._clocks.get(hello.name)
        if follower is None:
            follower = TickFollower(hello.interval_ticks, hello.tick_hz, hello.time_scale)
            self._clocks[hello.name] = follower
        of_frames = follower.follow(block.frame_first, block.frame_ticks, arrival_ns)
        self._clock_excess = int(of_frames[-1])
        return np.repeat(of_frames, block.frame_count)

    def _enter_boot(self, boot: int, hello: Hello) -> bool:
        """Start over at a new boot; tell whether what comes is of the boot that runs."""
        if self._boot is not None and self._boot != boot and (boot - self._boot) % _BOOTS > _BOOTS // 2:
            return False  # an earlier boot's, come late
        if self._boot != boot:
            self._boot = boot
            self.base = TimeBase(hello.tick_hz, hello.time_scale)
            self.rings, self._layouts, self._clocks = {}, {}, {}
            self._clock_excess = 0
            self._edges_seen = self._began = None
        return True

    # --- edges -------------------------------------------------------------------------------------------

    def _take_edges(
        self, decoded: Decoded, hellos: tuple[Hello, ...], arrival_ns: int
    ) -> tuple[tuple[Moment, bool], ...]:
        numbers = (
            [(slot, line.line) for slot, line in enumerate(hellos[-1].lines) if line.name == self._line]
            if (hellos and self._line is not None)
            else []
        )
        if not numbers:
            return ()
        slot, number = numbers[0]
        found = []
        messages: list[Edge | Beat] = [*decoded.edges, *decoded.beats]
        for message in sorted(messages, key=lambda message: message.offset):
            if not self._enter_boot(message.boot, hellos[-1]):
                continue
            if isinstance(message, Beat):
                edge = self._restored(message, slot, number, arrival_ns)
            else:
                edge = self._heard(message, number, arrival_ns)
            if edge is not None:
                found.append(edge)
        return tuple(found)

    def _heard(self, edge: Edge, number: int, arrival_ns: int) -> tuple[Moment, bool] | None:
        base = self.base
        if edge.line != number or base is None:
            return None
        if self._edges_seen is not None and nearest(edge.edges - self._edges_seen, _EDGES) <= 0:
            return None  # it came twice, or a beat told of it
        self._edges_seen = edge.edges
        return Moment(base, base.place(edge.ticks - self._clock_excess, arrival_ns)), edge.level == 1

    def _restored(self, beat: Beat, slot: int, number: int, arrival_ns: int) -> tuple[Moment, bool] | None:
        base = self.base
        if base is None or slot >= len(beat.edges):
            return None
        count, last = beat.edges[slot]
        if count == 0 and self._edges_seen is None:
            self._edges_seen = 0
        if self._edges_seen is not None and nearest(count - self._edges_seen, _EDGES) <= 0:
            return None
        at = base.place(beat.ticks - self._clock_excess, arrival_ns) - (beat.ticks - last) % MODULUS
        known, self._edges_seen = self._edges_seen, count
        if known is None and (self._began is None or at < self._began):
            return None  # before anything was recorded of this boot
        return Moment(base, at), bool(beat.lines >> number & 1)

    # --- text boards -------------------------------------------------------------------------------------

    def _take_lines(self, lines: DecodedLines, arrival_ns: int) -> None:
        text = self.device.text_lines
        assert text is not None  # noqa: S101 - the stand's validator requires it
        before, self._arrival = self._arrival or arrival_ns, arrival_ns
        rows = len(lines.values)
        if not rows:
            return
        if text.clock is not None:
            ticks = np.rint(lines.clock / text.clock_hz * SECOND).astype(np.int64)
        else:
            ticks = before + (np.arange(1, rows + 1) * (arrival_ns - before)) // rows
        for segment in np.unique(lines.segment).tolist():
            if self.base is None or self._boot != segment:
                self._boot = segment
                self.base = TimeBase(SECOND)
                columns = tuple(text.columns)
                self.rings = {"": Ring(self.base, columns, (None,) * len(columns), LINE_ROWS)}
            ring, own = self.rings[""], lines.segment == segment
            self.base.heard(int(ticks[own].max()), arrival_ns)
            ring.add(ticks[own], lines.values[own])
            if ring.ticks.size > 1:
                ring.interval = float(np.median(np.diff(ring.ticks[-20:]))) / SECOND
