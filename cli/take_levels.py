"""Lead a person through the levels of a calibration while the board is recorded: one line of state, one key a level."""

import dataclasses
import sys
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from standbook.analysis.calibration.readings_sheet import read_sheet, tag_and_day
from standbook.analysis.calibration_sheet.journal_levels import as_if_taken, planned_levels, with_taken
from standbook.cli.keys import KeyReader, MomentOf, reading_keys
from standbook.cli.record import first_signal_stops, seal_and_say
from standbook.cli.screen import CAUTION, now, say, today
from standbook.daq.bench.level_taking import LevelTaking, Planned
from standbook.daq.bench.live_level import LiveLevel
from standbook.daq.bench.recorded_levels import recorded_levels
from standbook.daq.bench.unplanned_run import create_bench_run, newest_calibrations
from standbook.daq.config.campaign import STAND_FILE
from standbook.daq.config.stand import read_stand
from standbook.daq.config.toml_document import read_toml
from standbook.daq.errors import ConfigError, DataError, UsageError
from standbook.daq.host_clock import Clocks, HostClocks, HostTime
from standbook.daq.printable import printable
from standbook.daq.recording.recorder import Watch, resolve_ports
from standbook.daq.recording.run_recording import RecordingOrder, record_run_into
from standbook.daq.run.marks import MARKS_FILE, MarkLog
from standbook.daq.run.run_folder import open_run
from standbook.daq.software import software
from standbook.daq.storage.atomic_write import write_atomic

QUIT: Final = ("q", "Q")
KEYS: Final = (
    "Space takes a level once it stands. Type what the reference shows first where it is not the planned value. "
    "Backspace strikes the last one out. Q ends."
)


def take_levels(
    campaign: Path, tag: str, planned: Sequence[Planned], given: Mapping[str, str], *, rehearsal: bool = False
) -> Path:
    """Record the board of one input, take levels by keys, and seal the recording; return its folder.

    Parameters
    ----------
    campaign : Path
        Holds ``stand.toml``.
    tag : str
        Of the input.
    planned : sequence of Planned
        In the order in which they are to be taken.
    given : mapping of device to path
        Ports that were named.
    rehearsal : bool
        The data may be simulated.

    Raises
    ------
    UsageError
        There is no terminal to read keys from.
    ConfigError, LinkError, RecordError
        As recording has it.
    """
    stand = read_stand(campaign / STAND_FILE)
    supplies = {one.tag: one for one in newest_calibrations(campaign, {i.supply for i in stand.input if i.supply})}
    live = LiveLevel(stand, tag, supplies)
    part = stand.of_devices(live.devices)
    ports = resolve_ports(part, given)
    clocks = HostClocks()
    with reading_keys(clocks) as keys:
        if keys is None:
            raise UsageError(
                "levels are taken by keys, and this is no terminal that gives any; fill in the sheet instead"
            )
        with first_signal_stops() as stopped:
            folder = create_bench_run(
                campaign, f"{tag}_levels", sorted(live.devices), rehearsal=rehearsal, now=now(), software=software()
            )
            say(f"Recording {', '.join(sorted(live.devices))} into {folder}.")
            say(CAUTION)
            say(KEYS)
            order = RecordingOrder(
                number=folder.name, stand=part, ports=ports, folder=folder, rehearsal=rehearsal, seconds=None
            )
            moment = MomentOf(clocks)
            taking = LevelTaking(planned, live, MarkLog(folder / MARKS_FILE, moment))
            steps = _Steps(keys, clocks, moment, taking, live)
            record_run_into(
                order,
                stopped=lambda: bool(stopped) or steps.is_over,
                report=steps.report,
                taken=live.take,
                tell=steps.tell,
            )
    say("")
    seal_and_say(folder, marks=False)  # each stands in the sheet
    return folder


def take_into_sheet(
    sheet: Path,
    campaign: Path,
    given: Mapping[str, str],
    *,
    rehearsal: bool,
    check: Callable[..., object] = read_sheet,
    ending: str = "",
) -> None:
    """Take the levels that a sheet plans, and write into it what was taken; all of them, or it stays as it is.

    ``check`` reads the sheet with a change of its values, and ``ending`` follows the tag in its name.

    Raises
    ------
    ConfigError
        The sheet plans no levels, is of another day, or its name is no sheet's.
    DataError
        Not all levels were taken; the recording is kept.
    """
    named, day = tag_and_day(sheet)
    tag = named.removesuffix(ending)
    if day != today():
        raise ConfigError(f"{sheet}: levels are taken today, {today()}; the name of a sheet holds its day")
    text, values = read_toml(sheet)
    planned = planned_levels(values, str(sheet))
    check(sheet, change=as_if_taken)  # what else is wrong with it is said before anybody climbs a ladder
    folder = take_levels(campaign, tag, planned, given, rehearsal=rehearsal)
    levels = recorded_levels(open_run(folder), tag)
    if len(levels) != len(planned):
        raise DataError(
            f"{sheet}: {len(levels)} of {len(planned)} levels were taken, so it stays as it is; the recording is kept "
            f"in {folder}"
        )
    write_atomic(sheet, with_taken(text, folder.name, levels).encode("utf-8"))
    say(f"Sheet: {sheet} holds what was taken.")


class _Steps:
    """Keys in, one line of state out."""

    def __init__(self, keys: KeyReader, clocks: Clocks, moment: MomentOf, taking: LevelTaking, live: LiveLevel) -> None:
        self._keys, self._clocks, self._moment, self._taking, self._live = keys, clocks, moment, taking, live
        self._width = 0
        self._run = 1
        self.is_over = False

    def report(self, _watch: Watch) -> None:
        """Process keys and show where things are."""
        for key in self._keys.pressed():
            self._moment.when = self._shown_at(key.when)
            self.is_over |= key.text in QUIT
            self._taking.press(key.text, key.when.monotonic_ns)
            if self._taking.said:
                self.tell(self._taking.said)
                self._taking.said = ""
            self._tell_of_a_new_run()
        self.is_over |= self._taking.next is None
        self._show(self._state())

    def _shown_at(self, pressed: HostTime) -> HostTime:
        """Return the instant of the newest row that a key was pressed on: what comes after it nobody has seen."""
        newest = self._live.newest_ns
        back = 0 if newest is None else max(0, pressed.monotonic_ns - newest)
        return HostTime(*(told - back for told in dataclasses.astuple(pressed)))

    def _tell_of_a_new_run(self) -> None:
        planned = self._taking.next
        if planned is not None and planned.run != self._run:
            self._run = planned.run
            self.tell(f"run {planned.run}: unload, disconnect and connect the sensor once, then go on")

    def tell(self, sentence: str) -> None:
        """Print a sentence on a line of its own."""
        self._show("")
        self._write("\r" + printable(sentence) + "\n")

    def _state(self) -> str:
        now = self._clocks.now().monotonic_ns
        planned, standing = self._taking.next, self._live.standing(now)
        if planned is None:
            return "all levels are taken"
        shown = self._taking.typed or planned.value
        signal = "" if standing.level is None else f"{standing.level.mean:.6g}, "
        why_not = self._taking.why_not(now)
        return f"{self._taking.place} {planned.words(shown)}: {signal}{why_not or 'stands, press space'}"

    def _show(self, text: str) -> None:
        line = printable(text)[:79]
        self._write("\r" + line.ljust(self._width))
        self._width = len(line)

    def _write(self, text: str) -> None:
        with suppress(OSError, ValueError):  # nobody sees it; the recording is what counts
            sys.stdout.write(text)
            sys.stdout.flush()
