"""Plug simulated boards in, play them together, and keep a link to each port that follows it."""

import signal
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from standbook.cli.screen import say
from standbook.daq.errors import RecordError, UsageError

if TYPE_CHECKING:
    from standbook.daq.config.stand import Input
    from standbook.daq.rehearsal.device import RehearsalDevice
    from standbook.daq.rehearsal.ground_truth import GroundTruth
    from standbook.daq.rehearsal.script import Table
    from standbook.daq.rehearsal.sensor_faults import Fault

NAP = 0.01  # [s] between two looks at whether to stop
OWN_RING = 4_000_000  # bytes that a board played beside its own recorder holds back: a busy computer loses it no row


def plugged_in(
    stack: ExitStack, tables: "Sequence[Table]", time_scale: float, links: Mapping[str, Path], *, ring_bytes: int = 0
) -> "list[RehearsalDevice]":
    """Plug in simulated boards with which nothing is wrong."""
    return [
        stack.enter_context(device_of(table, (), (), links.get(table.device), time_scale, ring_bytes=ring_bytes))
        for table in tables
    ]


@contextmanager
def playing(tables: "Sequence[Table]", time_scale: float) -> "Iterator[dict[str, str]]":
    """Play simulated boards beside whoever records them, until that is done; give the port of each board."""
    with ExitStack() as stack:
        devices = plugged_in(stack, tables, time_scale, {}, ring_bytes=OWN_RING)
        stop, pool = threading.Event(), stack.enter_context(ThreadPoolExecutor(1))
        played = pool.submit(play_devices, devices, stop)
        try:
            yield {device.table.device: device.port for device in devices}
        finally:
            stop.set()
        played.result()


@contextmanager
def device_of(
    table: "Table",
    faults: "Sequence[Fault]",
    inputs: "Sequence[Input]",
    link: Path | None,
    time_scale: float,
    *,
    ring_bytes: int = 0,
) -> "Iterator[RehearsalDevice]":
    """Plug in one simulated board, with what goes wrong on it, a link to its port, and the ring it has at least."""
    from standbook.daq.rehearsal.device import RING_BYTES, RehearsalDevice
    from standbook.daq.rehearsal.sensor_fault_injection import faulty_table

    follow = _Link(link)
    device = RehearsalDevice(
        faulty_table(table, faults, inputs),
        time_scale=time_scale,
        faults=faults,
        # The ring of a faster device holds as much of its own time.
        ring_bytes=max(ring_bytes, round(RING_BYTES * max(1.0, time_scale))),
        moved=follow.to,
    )
    with device, follow.there(device.port):
        yield device


def play_devices(
    devices: "list[RehearsalDevice]", stop: threading.Event, begins: Sequence[tuple[float, str]] = ()
) -> "list[GroundTruth]":
    """Play every board in a thread of its own; the first row of all is due once the last port has been opened.

    ``begins`` are said as they come, so many seconds after it.
    """
    opened = threading.Semaphore(0)
    begun = threading.Event()

    def begin() -> bool:
        opened.release()
        while not begun.wait(NAP):
            if stop.is_set():
                return False
        return True

    with ThreadPoolExecutor(len(devices)) as pool:
        runs = [pool.submit(device.run, stop, begin=begin) for device in devices]
        for _ in devices:
            while not opened.acquire(timeout=NAP):
                if stop.is_set() or any(run.done() for run in runs):
                    stop.set()
                    break
        begun.set()
        started = time.monotonic()
        for at, words in begins:
            while (wait := started + at - time.monotonic()) > 0.0 and not all(run.done() for run in runs):
                time.sleep(min(wait, NAP))
            if not stop.is_set():
                say(f"now: {words}")
        return [run.result() for run in runs]


def links_of(link: Path | None, devices: Sequence[str]) -> dict[str, Path]:
    """Name the link of each board: as given, or with the board's name behind it where there are several."""
    if link is None:
        return {}
    return {name: link if len(devices) == 1 else link.with_name(f"{link.name}-{name}") for name in devices}


def check_place(option: str, path: Path | None) -> None:
    """Refuse a path before the physics is computed; a link that leads nowhere is in nobody's way."""
    if path is not None and path.exists():
        raise UsageError(f"{option} {path}: exists already; name another path, or remove it")
    if path is not None and not path.parent.is_dir():
        raise UsageError(f"{option} {path}: there is no folder {path.parent}; make it, or name another path")


class _Link:
    """A link that follows the port while the device plays; one that an earlier device left behind is replaced."""

    def __init__(self, link: Path | None) -> None:
        self._link = link

    def to(self, port: str) -> None:
        """Point to a port, or nowhere while there is none."""
        from standbook.daq.storage.durable_file import reason

        if self._link is None:
            return
        try:
            self._link.unlink(missing_ok=True)
            if port:
                self._link.symlink_to(port)
        except OSError as error:
            raise RecordError(f"{self._link}: the link to the port cannot be made: {reason(error)}") from error

    @contextmanager
    def there(self, port: str) -> Iterator[None]:
        self.to(port)
        try:
            yield
        finally:
            with suppress(RecordError):  # one that is left behind leads nowhere, and the next device replaces it
                self.to("")


@contextmanager
def stopping() -> Iterator[threading.Event]:
    """Give an event that Ctrl-C or a request to end sets."""
    stop = threading.Event()
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
