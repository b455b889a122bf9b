"""Lead a person at the keys through a list of things to do while boards are recorded: one line of state."""

import dataclasses
import sys
import textwrap
from collections.abc import Callable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, Final, Protocol

from standbook.cli.keys import KeyReader, MomentOf, reading_keys
from standbook.cli.record import first_signal_stops, seal_and_say
from standbook.cli.screen import CAUTION, now, say
from standbook.daq.bench.unplanned_run import create_bench_run
from standbook.daq.config.stand import Stand
from standbook.daq.errors import UsageError
from standbook.daq.host_clock import Clocks, HostClocks, HostTime
from standbook.daq.printable import printable
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.recording.recorder import Watch, resolve_ports
from standbook.daq.recording.run_recording import RecordingOrder, record_run_into
from standbook.daq.run.marks import MARKS_FILE, MarkLog
from standbook.daq.software import software

QUIT: Final = ("q", "Q")
WIDTH = 79  # of the line of state


class Taking(Protocol):
    """What is to be done, one thing after the other."""

    said: str  # of the newest key

    @property
    def next(self) -> Any:  # noqa: ANN401 - whatever it is, None when all is done
        """What is to be done now."""

    def state(self, now_ns: int) -> str:
        """Say on one line what is next and whether it can be taken."""

    def press(self, key: str, now_ns: int) -> None:
        """Execute one key."""


class LiveRows(Protocol):
    """What follows the rows."""

    @property
    def newest_ns(self) -> int | None:
        """When the newest row was taken, on the monotonic clock. [ns]."""

    def take(self, taken: Taken) -> None:
        """Take in one piece of one device."""


@dataclasses.dataclass(frozen=True, slots=True, kw_only=True)
class GuidedRecording:
    """What is recorded while a person is led."""

    name: str  # of the run
    campaign: Path
    stand: Stand  # the part of it that is recorded
    ports: Mapping[str, str]  # that were named, by device
    rehearsal: bool
    keys: str  # what the keys do, in a sentence or two


def record_guided(order: GuidedRecording, live: LiveRows, taking: Callable[[MarkLog], Taking]) -> Path:
    """Record boards without a plan, process keys until all is done or somebody ends it, seal; return the folder.

    Parameters
    ----------
    order : GuidedRecording
        What is recorded, and where.
    live : LiveRows
        Is fed.
    taking : callable
        Makes the list of things to do, given the log of marks.

    Raises
    ------
    UsageError
        There is no terminal to read keys from.
    ConfigError, LinkError, RecordError
        As recording has it.
    """
    devices = [device.name for device in order.stand.device]
    ports = resolve_ports(order.stand, order.ports)
    clocks = HostClocks()
    with reading_keys(clocks) as keys:
        if keys is None:
            raise UsageError(
                "levels are taken by keys, and this is no terminal that gives any; fill in the sheet instead"
            )
        with first_signal_stops() as stopped:
            folder = create_bench_run(
                order.campaign, order.name, devices, rehearsal=order.rehearsal, now=now(), software=software()
            )
            say(f"Recording {', '.join(devices)} into {folder}.")
            for text in (CAUTION, order.keys):
                say("\n".join(textwrap.wrap(text, WIDTH)))
            if order.rehearsal:
                say("REHEARSAL: the boards are simulated.")
            into = RecordingOrder(
                number=folder.name,
                stand=order.stand,
                ports=ports,
                folder=folder,
                rehearsal=order.rehearsal,
                seconds=None,
            )
            moment = MomentOf(clocks)
            steps = _Steps(keys, clocks, moment, taking(MarkLog(folder / MARKS_FILE, moment)), live)
            record_run_into(
                into,
                stopped=lambda: bool(stopped) or steps.is_over,
                report=steps.report,
                taken=live.take,
                tell=steps.tell,
            )
            steps.press_what_came()  # a key of the last moment is one of the recording
    say("")
    seal_and_say(folder, marks=False)  # each stands in the sheet
    return folder


class _Steps:
    """Keys in, one line of state out."""

    def __init__(self, keys: KeyReader, clocks: Clocks, moment: MomentOf, taking: Taking, live: LiveRows) -> None:
        self._keys, self._clocks, self._moment, self._taking, self._live = keys, clocks, moment, taking, live
        self._width = 0
        self.is_over = False

    def report(self, _watch: Watch) -> None:
        """Process keys and show where things are."""
        self.press_what_came()
        self.is_over |= self._taking.next is None
        self._show(self._taking.state(self._clocks.now().monotonic_ns))

    def press_what_came(self) -> None:
        """Process the keys since the last time."""
        self._tell_what_was_said()
        for key in self._keys.pressed():
            self._moment.when = self._shown_at(key.when)
            self.is_over |= key.text in QUIT
            self._taking.press(key.text, key.when.monotonic_ns)
            self._tell_what_was_said()

    def _shown_at(self, pressed: HostTime) -> HostTime:
        """Return the instant of the newest row that a key was pressed on: what comes after it nobody has seen."""
        newest = self._live.newest_ns
        back = 0 if newest is None else max(0, pressed.monotonic_ns - newest)
        return HostTime(*(told - back for told in dataclasses.astuple(pressed)))

    def _tell_what_was_said(self) -> None:
        for line in self._taking.said.splitlines():
            self.tell(line)
        self._taking.said = ""

    def tell(self, sentence: str) -> None:
        """Print a sentence on a line of its own."""
        self._show("")
        for line in textwrap.wrap(printable(sentence), WIDTH, subsequent_indent="  ") or [""]:
            self._write("\r" + line + "\n")

    def _show(self, text: str) -> None:
        line = printable(text)[:WIDTH]
        self._write("\r" + line.ljust(self._width))
        self._width = len(line)

    def _write(self, text: str) -> None:
        with suppress(OSError, ValueError):  # nobody sees it; the recording is what counts
            sys.stdout.write(text)
            sys.stdout.flush()
