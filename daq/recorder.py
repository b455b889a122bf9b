"""Recording a run: one capture process for each device, watched until somebody says stop.

Only ports that the stand names, or that the person names on the command line, are opened. What capture writes is
sealed afterwards (``daq.seal``); this module decodes nothing that is kept.
"""

import time
from collections.abc import Callable, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daq.errors import ConfigError, FrameError, LinkError, StandError
from daq.follow import Follower, Seen
from daq.launch import CaptureHandle, start_capture
from daq.port import PortInfo, list_ports
from daq.sighting import LOOK, no_frame_sentence
from daq.stand import Device, Stand

LOOK_EVERY: Final = 0.1  # [s]


@dataclass(frozen=True, slots=True)
class Watch:
    """What is known while recording."""

    elapsed: float  # since the ports were open [s]
    devices: tuple[Seen, ...]
    lost: tuple[str, ...]  # devices whose port is gone at this moment
    ended: tuple[str, ...]  # devices whose capture process has ended, whatever ended it
    played_out: tuple[str, ...]  # made-up devices that said that their last row is out
    rehearsal: bool  # a device says that it is a made-up one

    @property
    def all_silent(self) -> bool:
        """Tell whether no device is left that could send anything."""
        return {seen.device for seen in self.devices} <= {*self.lost, *self.ended, *self.played_out}


@dataclass(frozen=True, slots=True)
class RecordEnd:
    """How a recording ended."""

    watch: Watch
    trouble: StandError | None  # what ended a capture before its time; all that was written stands


def resolve_ports(
    stand: Stand, given: Mapping[str, str], present: tuple[PortInfo, ...] | None = None
) -> dict[str, str]:
    """Say which port each device is on: as given, as the stand names it, or by its USB serial number.

    Raises
    ------
    ConfigError
        A given name is no device of the stand.
    LinkError
        A device is on no port of this computer.
    """
    names = [device.name for device in stand.device]
    for name in given:
        if name not in names:
            raise ConfigError(f'--port names unknown device "{name}"; the stand has {", ".join(names)}')
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

    Raises
    ------
    LinkError
        A port cannot be opened, or gives no valid frame for 3 s: the sentence says what came instead.
    FrameError
        Valid frames come, but for 3 s no hello that explains them.
    RecordError
        A journal cannot be started.
    """
    with ExitStack() as captures:
        handles: list[CaptureHandle] = []
        for device in stand.device:
            handle = start_capture(device.name, ports[device.name], device.baud, folder)
            captures.callback(handle.stop)
            handles.append(handle)
        for handle in handles:
            handle.wait_until_recording()
        followers = [Follower(device, folder) for device in stand.device]
        start = clock()
        trouble: StandError | None = None
        while True:
            watch = _watch(followers, handles, clock() - start)
            report(watch)
            _first_look(followers, watch, ports)
            trouble = trouble or next((error for handle in handles if (error := handle.error()) is not None), None)
            if len(watch.ended) == len(handles) or stop(watch):
                break
            pause(LOOK_EVERY)
    return RecordEnd(_watch(followers, handles, clock() - start), trouble)


def _watch(followers: list[Follower], handles: list[CaptureHandle], elapsed: float) -> Watch:
    devices = tuple(follower.poll() for follower in followers)
    states = ((handle.device, handle.status()) for handle in handles)
    lost = tuple(device for device, status in states if status is not None and status.state == "lost")
    hellos = [hello for follower in followers for hello in follower.hellos.values()]
    return Watch(
        elapsed,
        devices,
        lost,
        ended=tuple(handle.device for handle in handles if handle.poll() is not None),
        played_out=tuple(follower.device.name for follower in followers if follower.played_out),
        rehearsal=any(hello.is_rehearsal for hello in hellos),
    )


def _first_look(followers: list[Follower], watch: Watch, ports: Mapping[str, str]) -> None:
    if watch.elapsed < LOOK:
        return
    for follower, seen in zip(followers, watch.devices, strict=True):
        device = follower.device
        if seen.frames == 0:
            raise LinkError(
                no_frame_sentence(device.name, ports[device.name], device.baud, follower.first_bytes, LOOK)
            )
        if seen.rows == 0 and not follower.hellos and device.format == "wire 1":
            raise FrameError(
                f"{device.name}: {seen.frames} valid frames on {ports[device.name]} in {LOOK:g} s, but no hello that "
                "explains their layout; the firmware must send hello once a second"
            )
