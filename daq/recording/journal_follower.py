"""What a growing journal says so far: rows, losses and damage of one device, and the first bytes for a first look.

Reads what capture has written and holds up nothing. Counts are for people to watch by; the sealed record counts
again from the whole journal.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from standbook.daq.config.stand import Device
from standbook.daq.journal.reader import JournalFollower
from standbook.daq.journal.record_format import Event
from standbook.daq.journal.writer import journals_of
from standbook.daq.recording.rate_watch import RateWatch, rate_sentence
from standbook.daq.wire.decoder import KNOWN_HELLOS, Decoded, Decoder
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.messages import PLAYED_OUT, SampleBlock
from standbook.daq.wire.text_lines import DecodedLines, LineDecoder, LineLayout
from standbook.daq.wire.tick_steps import TickFollower, step_sentences

FIRST_BYTES: Final = 4096  # kept to describe a port on which nothing valid came
_BOOTS: Final = 8  # boots whose next row is remembered; an older one does not come again
_MODULUS: Final = 2**32


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Taken:
    """What one record of a journal gave, as it is handed on; ``device`` is the stand's name of it."""

    device: str
    decoded: Decoded | DecodedLines
    arrival_ns: int  # of the newest byte, monotonic [ns]
    hellos: tuple[Hello, ...] = ()  # what is known of the streams by now, saved layouts included
    opening: int = 1  # of the port, counted from 1; byte offsets in ``decoded`` count from there


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """Counts of one device since recording began."""

    device: str
    received_bytes: int
    frames: int  # valid frames, or valid text lines
    rows: int
    lost_rows: int  # rows missing between rows that came
    damaged: int  # frames or lines
    openings: int
    newest_arrival_ns: int | None  # monotonic [ns]
    restarts: int = 0  # of the board
    clock_steps: int = 0  # times that its clock contradicted its row numbers
    rate_changes: int = 0  # times that its clock went over to another rate
    word: str = ""  # about the newest of these, without the device's name
    word_ns: int | None = None  # when it arrived, monotonic [ns]


class Follower:
    """Follows the journals of one device as capture writes them.

    Parameters
    ----------
    device : Device
        The stand's entry.
    folder : Path
        Where capture puts its journals.
    layouts : iterable of Hello
        Layouts saved earlier, for a device whose hello does not come.

    Notes
    -----
    Every opening of the port has a decoder of its own, and an earlier journal is read to its end with its own
    before the next is begun: capture closes one before it starts another.
    """

    def __init__(self, device: Device, folder: Path, layouts: Iterable[Hello] = ()) -> None:
        self.device = device
        self.first_bytes = b""
        self.played_out = False  # a simulated device said that its last row is out
        self.hellos: dict[str, Hello] = {}  # the newest of each stream, by its name
        self.refused_hello = ""  # why the newest refused one was
        self._folder = folder
        self._layouts = {(hello.name, hello.layout): hello for hello in layouts}
        self._journal: JournalFollower | None = None
        self._openings = 0
        self._decoder = self._new_decoder()
        self._next: dict[tuple[int, int], int] = {}  # (stream, boot) -> sequence expected
        self._ticks: dict[tuple[int, int], TickFollower] = {}  # by stream and boot
        self._boot: int | None = None
        self._rate: tuple[tuple[int, int], RateWatch] | None = None  # stream and boot that it goes by
        self._word = ""
        self._word_ns: int | None = None
        self._bytes = self._frames = self._rows = self._lost = self._damaged = self._restarts = 0
        self._steps = self._rate_changes = 0
        self._newest: int | None = None

    def poll(self, taken: Callable[[Taken], None] | None = None) -> Seen:
        """Take in what is new, hand it on piece by piece, and return the counts so far."""
        paths = journals_of(self._folder, self.device.name)
        for path in paths[self._openings :]:
            if self._journal is not None:
                while self._read(self._journal, taken):
                    pass
                self._take(b"", self._newest or 0, taken, finish=True)  # an opening may end in half a frame
            self._decoder = self._new_decoder()
            self._journal = JournalFollower(path)
            self._openings += 1
        if self._journal is not None:
            self._read(self._journal, taken)
        return Seen(
            device=self.device.name,
            received_bytes=self._bytes,
            frames=self._frames,
            rows=self._rows,
            lost_rows=self._lost,
            damaged=self._damaged,
            openings=self._openings,
            newest_arrival_ns=self._newest,
            restarts=self._restarts,
            clock_steps=self._steps,
            rate_changes=self._rate_changes,
            word=self._word,
            word_ns=self._word_ns,
        )

    def _read(self, journal: JournalFollower, taken: Callable[[Taken], None] | None) -> bool:
        """Take in what a journal has more; tell whether that was anything."""
        rows = journal.poll()
        for row in rows:
            if row.event is Event.DATA:
                self._newest = row.arrival_ns
                self._take(row.data, row.arrival_ns, taken)
        return bool(rows)

    def _new_decoder(self) -> Decoder | LineDecoder:
        if self.device.text_lines is not None:
            return LineDecoder(LineLayout(**self.device.text_lines.model_dump()))
        known = {(hello.name, hello.layout): hello for hello in self.hellos.values()}
        return Decoder({**self._layouts, **known}.values())

    def _take(
        self, data: bytes, arrival_ns: int, taken: Callable[[Taken], None] | None, *, finish: bool = False
    ) -> None:
        self._bytes += len(data)
        if len(self.first_bytes) < FIRST_BYTES:
            self.first_bytes += data[: FIRST_BYTES - len(self.first_bytes)]
        if isinstance(self._decoder, LineDecoder):
            lines = self._decoder.finish() if finish else self._decoder.feed(data)
            self._frames += len(lines.values)
            self._rows += len(lines.values)
            self._lost += int(lines.lost_before.sum())
            self._damaged += lines.damaged_lines
            if taken is not None:
                taken(
                    Taken(
                        device=self.device.name, decoded=lines, arrival_ns=arrival_ns, hellos=(), opening=self._openings
                    )
                )
            return
        decoded = self._decoder.finish() if finish else self._decoder.feed(data)
        self._frames += decoded.frames
        self._damaged += decoded.damaged_frames
        for hello, _ in decoded.hellos:
            self.hellos[hello.name] = hello
        self.refused_hello = next(reversed(decoded.refused_hellos), self.refused_hello)
        while len(self.hellos) > KNOWN_HELLOS:  # a board that renames its streams without end fills no memory
            del self.hellos[next(iter(self.hellos))]
        self.played_out |= any(note.text == PLAYED_OUT for note in decoded.notes)
        for block in decoded.blocks:
            self._count(block.stream, block.boot, int(block.sequence[0]), int(block.sequence[-1]), block.sequence.size)
            self._watch_clock(block, arrival_ns)
        if taken is not None:
            hellos = {**{hello.name: hello for hello in self._layouts.values()}, **self.hellos}
            taken(
                Taken(
                    device=self.device.name,
                    decoded=decoded,
                    arrival_ns=arrival_ns,
                    hellos=tuple(hellos.values()),
                    opening=self._openings,
                )
            )

    def _watch_clock(self, block: SampleBlock, arrival_ns: int) -> None:
        """Notice a restart of the board, and a clock that contradicts its row numbers."""
        if self._boot is not None and (block.boot - self._boot) % 256 in range(1, 128):
            self._restarts += 1
            self._word = "the board restarted; what it measured meanwhile is lost"
            self._word_ns = arrival_ns
        if self._boot is None or (block.boot - self._boot) % 256 < 128:
            self._boot = block.boot
        said = [h for h in self.hellos.values() if h.stream == block.stream and h.layout == block.layout]
        if not said:
            return
        follower = self._ticks.get((block.stream, block.boot))
        if follower is None:
            self._ticks = {key: own for key, own in self._ticks.items() if key[1] == block.boot}
            follower = TickFollower(said[-1].interval_ticks, said[-1].tick_hz, said[-1].time_scale)
            self._ticks[block.stream, block.boot] = follower
        steps, before = follower.steps, follower.newest
        excess = follower.follow(block.frame_first, block.frame_ticks, arrival_ns)
        self._watch_rate(block, int(block.ticks[-1] - excess[-1]), said[-1], arrival_ns)
        if follower.newest is not None and follower.newest != before:
            self._steps += follower.steps - steps
            self._word, self._word_ns = step_sentences([follower.newest], said[-1].tick_hz)[0], arrival_ns

    def _watch_rate(self, block: SampleBlock, ticks: int, hello: Hello, arrival_ns: int) -> None:
        """Notice that the clock of the board, by one of its streams, runs at another rate than before."""
        if self._rate is None or self._rate[0][1] != block.boot:
            self._rate = (block.stream, block.boot), RateWatch(hello.tick_hz, hello.time_scale)
        of, watch = self._rate
        if of == (block.stream, block.boot) and (change := watch.heard(ticks, arrival_ns)) is not None:
            self._rate_changes += 1
            self._word, self._word_ns = rate_sentence(change), arrival_ns

    def _count(self, stream: int, boot: int, first: int, last: int, rows: int) -> None:
        self._rows += rows
        expected = self._next.pop((stream, boot), first)
        span = (last - expected) % _MODULUS + 1
        if span < _MODULUS // 2:  # else the rows are older ones that came again
            self._lost += max(0, span - rows)
            expected = (last + 1) % _MODULUS
        self._next[stream, boot] = expected
        while len(self._next) > _BOOTS * 256:  # a device that boots for ever does not fill memory
            del self._next[next(iter(self._next))]
