"""Recording a run: one capture process for each device, watched until somebody says stop.

Only ports that the stand names, or that the person names on the command line, are opened. What capture writes is
sealed afterwards (``daq.sealing.seal``); this module decodes nothing that is kept.
"""

import signal
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import ExitStack, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType
from typing import Final

from standbook.daq.capture.disk_space import DiskSpace, DiskState
from standbook.daq.capture.launcher import Capturing, start_capture
from standbook.daq.capture.serial_port import PortInfo, list_ports
from standbook.daq.capture.sleep_inhibitor import inhibit_sleep
from standbook.daq.config.stand import Device, Stand
from standbook.daq.errors import ConfigError, FrameError, LinkError, RecordError, StandError
from standbook.daq.port_name import port_fault
from standbook.daq.printable import printable
from standbook.daq.recording.journal_follower import Follower, Seen, Taken
from standbook.daq.recording.link_health import LinkState, LinkWatch
from standbook.daq.wire.byte_survey import LOOK, no_frame_sentence
from standbook.daq.wire.hello import Hello

LOOK_EVERY: Final = 0.1  # [s]
BARE_EVERY: Final = 10.0  # [s] between two lines once the screen has failed
_NOT_LOOKED: Final = DiskState(None, None)


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What is known while recording."""

    elapsed: float  # since the ports were open [s]
    devices: tuple[Seen, ...]
    lost: tuple[str, ...]  # devices whose port is gone at this moment
    ended: tuple[str, ...]  # devices whose capture process has ended, whatever ended it
    played_out: tuple[str, ...]  # simulated devices that said that their last row is out
    rehearsal: bool  # a device says that it is simulated
    links: tuple[LinkState, ...] = ()  # of each device, in the order of ``devices``
    disk: DiskState = _NOT_LOOKED

    @property
    def all_silent(self) -> bool:
        """Tell whether no device is left that could send anything."""
        return {seen.device for seen in self.devices} <= {*self.lost, *self.ended, *self.played_out}


@dataclass(frozen=True, slots=True)
class RecordEnd:
    """How a recording ended."""

    watch: Watch
    trouble: StandError | None  # what ended a capture before its time; all that was written stands
    tripped: tuple[str, ...] = ()  # redlines that tripped meanwhile


def resolve_ports(
    stand: Stand, given: Mapping[str, str], present: tuple[PortInfo, ...] | None = None
) -> dict[str, str]:
    """Say which port each device is on: as given, as the stand names it, or by its USB serial number.

    Raises
    ------
    ConfigError
        A given name is no device of the stand.
    LinkError
        A device is on no port of this computer, or a given name is no port's.
    """
    names = [device.name for device in stand.device]
    for name, port in given.items():
        if name not in names:
            raise ConfigError(f'--port names unknown device "{name}"; the stand has {", ".join(names)}')
        if fault := port_fault(port):
            raise LinkError(f"{name}: {fault}")
    present = list_ports() if present is None else present
    return {device.name: given.get(device.name) or _port_of(device, present) for device in stand.device}


def _port_of(device: Device, present: tuple[PortInfo, ...]) -> str:
    if device.port is not None:
        return device.port
    found = [port.path for port in present if device.serial and port.serial_number == device.serial]
    if len(found) == 1:
        return found[0]
    seen = ", ".join(f"{port.path} (serial {port.serial_number or 'none'})" for port in present) or "none"
    many = f"{len(found)} ports have" if found else "no port has"
    raise LinkError(
        f"{device.name}: {many} the USB serial number {device.serial or '(none is stated)'}; present: {seen}; "
        f"plug it in, or name its port with --port {device.name}=PATH"
    )


def record_devices(
    stand: Stand,
    ports: Mapping[str, str],
    folder: Path,
    *,
    stop: Callable[[Watch], bool],
    report: Callable[[Watch], None],
    taken: Callable[[Taken], None] | None = None,
    tell: Callable[[str], None] | None = None,
    layouts: Mapping[str, Sequence[Hello]] = MappingProxyType({}),
    start: Callable[[str, str, int, Path], Capturing] = start_capture,
    disk_space: DiskSpace | None = None,
    pause: Callable[[float], None] = time.sleep,
    clock: Callable[[], float] = time.monotonic,
) -> RecordEnd:
    """Record every device of a stand into journals until ``stop`` says so.

    Parameters
    ----------
    stand : Stand
        Its devices are recorded.
    ports : mapping of device to path
        From :func:`resolve_ports`.
    folder : Path
        An existing folder for the journals.
    stop, report
        Asked and told about ten times a second. A capture that ends by itself does not end the others; when all
        have ended nobody is asked.
    taken
        Handed every piece that a device's journal gives, in order.
    tell
        Takes a sentence that must be said at once; standard error unless given.
    layouts : mapping of device to sequence of Hello
        Saved ones, for a hello that does not come.
    start
        How a capture is started.
    room
        Watches the disk under ``folder``.

    Raises
    ------
    LinkError
        A port cannot be opened, or gives no valid frame for 3 s: the sentence says what came instead.
    FrameError
        Valid frames come, but for 3 s no hello that explains them.
    RecordError
        A journal cannot be started.

    Notes
    -----
    Captures end when ``stop`` says so, when the disk is nearly full, or for an error above; never because
    ``report``, ``taken`` or following failed: that is told once, and recording goes on with a line now and then.
    A StandError out of ``stop`` is a refusal and ends the recording.
    """
    telling = _Telling(tell)
    with ExitStack() as captures:
        captures.enter_context(inhibit_sleep(telling.say))
        handles: list[Capturing] = []
        for device in stand.device:
            handle = start(device.name, ports[device.name], device.baud, folder)
            captures.callback(handle.stop)
            handles.append(handle)
        for handle in handles:
            handle.wait_until_recording()
        followers = [Follower(device, folder, layouts.get(device.name, ())) for device in stand.device]
        watching = _Watching(followers, handles, disk_space or DiskSpace(folder), clock, telling)
        trouble: StandError | None = None
        while True:
            watch = watching.poll(taken)
            watching.show(watch, report)
            if watching.is_following:
                _first_look(followers, watch, ports)
            trouble = trouble or _error_of(handles)
            if watching.disk_space.is_short:
                trouble = trouble or RecordError(watching.disk_space.sentence())
            if watching.disk_space.is_short or len(watch.ended) == len(handles) or watching.must_stop(watch, stop):
                break
            pause(LOOK_EVERY)
    return RecordEnd(watching.poll(taken), trouble or _error_of(handles) or _left(watch.ended))


def _error_of(handles: Sequence[Capturing]) -> StandError | None:
    """Return the error that ended a capture: one may also have failed to write its last while it was stopped."""
    return next((error for handle in handles if (error := handle.error()) is not None), None)


def _left(ended: tuple[str, ...]) -> RecordError | None:
    """Say which captures had ended before anybody asked them to, and without an error of their own."""
    if not ended:
        return None
    return RecordError(f"{', '.join(ended)}: capture was ended from outside, before the recording was over")


class _Telling:
    """Says sentences at once, somewhere."""

    def __init__(self, tell: Callable[[str], None] | None) -> None:
        self._tell = tell

    def say(self, sentence: str) -> None:
        try:
            if self._tell is not None:
                self._tell(sentence)
                return
        except Exception:  # noqa: BLE001 - whatever is wrong with it, the sentence must not be lost
            self._tell = None
        with suppress(OSError, ValueError):  # nobody may be left to read it
            sys.stderr.write(f"standbook: {printable(sentence)}\n")
            sys.stderr.flush()


class _Watching:
    """Looks at followers and captures; what fails on the way is told once and left out from then on."""

    def __init__(
        self,
        followers: list[Follower],
        handles: list[Capturing],
        disk_space: DiskSpace,
        clock: Callable[[], float],
        telling: _Telling,
    ) -> None:
        self.disk_space = disk_space
        self.is_following = True
        self._is_shown = True
        self._followers, self._handles = followers, handles
        self._clock, self._telling = clock, telling
        self._start = clock()
        self._devices = tuple(
            Seen(
                device=follower.device.name,
                received_bytes=0,
                frames=0,
                rows=0,
                lost_rows=0,
                damaged=0,
                openings=0,
                newest_arrival_ns=None,
            )
            for follower in followers
        )
        self._links = [LinkWatch(follower.device) for follower in followers]
        self._next_line = 0.0
        self._interrupted: list[int] | None = None

    def poll(self, taken: Callable[[Taken], None] | None) -> Watch:
        """Take in what is new."""
        now = self._clock()
        if self.is_following:
            try:
                self._devices = tuple(follower.poll(self._guarded(taken)) for follower in self._followers)
            except Exception as error:  # noqa: BLE001 - capture is another process and needs none of this
                self.is_following = False
                self._say("reading along has failed", error)
        statuses = [handle.status() for handle in self._handles]
        ended = tuple(handle.device for handle in self._handles if handle.poll() is not None)
        if not self.is_following:  # what capture itself counts is still known
            self._devices = tuple(
                replace(seen, received_bytes=max(seen.received_bytes, status.written_bytes)) if status else seen
                for seen, status in zip(self._devices, statuses, strict=True)
            )
        hellos = [follower.hellos for follower in self._followers]
        return Watch(
            elapsed=now - self._start,
            devices=self._devices,
            lost=tuple(status.device for status in statuses if status is not None and status.state == "lost"),
            ended=ended,
            played_out=tuple(follower.device.name for follower in self._followers if follower.played_out),
            rehearsal=any(hello.is_rehearsal for of in hellos for hello in of.values()),
            links=tuple(
                link.evaluate(now, seen, status, tuple(of.values()), has_ended=seen.device in ended)
                for link, seen, status, of in zip(self._links, self._devices, statuses, hellos, strict=True)
            ),
            disk=self.disk_space.poll(now),
        )

    def show(self, watch: Watch, report: Callable[[Watch], None]) -> None:
        """Report, or after a failure say a line now and then."""
        if self._is_shown:
            try:
                report(watch)
            except Exception as error:  # noqa: BLE001 - as above
                self._give_up_the_screen(error)
        if self._is_shown or watch.elapsed < self._next_line:
            return
        self._next_line = watch.elapsed + BARE_EVERY
        parts = [f"{link.device} {link.state}, {link.received_bytes / 1e3:,.0f} kB" for link in watch.links]
        self._telling.say(f"{watch.elapsed:.0f} s  " + " | ".join(parts) + f"  {watch.disk.warning}".rstrip())

    def must_stop(self, watch: Watch, stop: Callable[[Watch], bool]) -> bool:
        """Ask; when the answer itself fails, Ctrl-C is heard here."""
        try:
            wanted = stop(watch)
        except StandError:
            raise
        except Exception as error:  # noqa: BLE001 - as above
            wanted = False
            if self._interrupted is None:
                self._interrupted = _signals()
                self._give_up_the_screen(error)
        return wanted or bool(self._interrupted)

    def _guarded(self, taken: Callable[[Taken], None] | None) -> Callable[[Taken], None] | None:
        if taken is None or not self._is_shown:
            return None

        def hand_on(piece: Taken) -> None:
            if self._is_shown:
                try:
                    taken(piece)
                except Exception as error:  # noqa: BLE001 - as above
                    self._give_up_the_screen(error)

        return hand_on

    def _give_up_the_screen(self, error: Exception) -> None:
        if self._is_shown:
            self._is_shown = False
            self._say("the screen has failed", error)

    def _say(self, what: str, error: Exception) -> None:
        why = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
        self._telling.say(f"{what} ({why}); recording goes on; stop with Ctrl-C")


def _signals() -> list[int]:
    """Hear SIGINT and SIGTERM here from now on: the recording must have a way to stop."""
    heard: list[int] = []
    for number in (signal.SIGINT, signal.SIGTERM):
        with suppress(ValueError):  # not in the main thread: somebody else stops this recording
            signal.signal(number, lambda got, _frame: heard.append(got))
    return heard


def _first_look(followers: list[Follower], watch: Watch, ports: Mapping[str, str]) -> None:
    if watch.elapsed < LOOK:
        return
    for follower, seen in zip(followers, watch.devices, strict=True):
        device = follower.device
        if seen.frames == 0:
            raise LinkError(no_frame_sentence(device.name, ports[device.name], device.baud, follower.first_bytes, LOOK))
        if seen.rows == 0 and not follower.hellos and device.format == "wire 1":
            told = f"{device.name}: {seen.frames} valid frames on {ports[device.name]} in {LOOK:g} s, but no hello that"
            why = "explains their layout; the firmware must send hello once a second"
            if follower.refused_hello:
                why = f"can be read; what came is refused: {follower.refused_hello}; correct the firmware"
            raise FrameError(f"{told} {why}")
