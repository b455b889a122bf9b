"""From the journals of a run folder to samples, record and manifest. Everything here can be done again from ``raw``.

A run is sealed once. Until the manifest is there, sealing may be repeated: after a crash it starts over.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from daq.account import device_record, find_t_zero, silent_device, stream_record
from daq.calibration import Calibration
from daq.channels import signal_from_counts, to_si
from daq.durable import reason
from daq.errors import RecordError
from daq.hold import is_held
from daq.manifest import MANIFEST
from daq.printed import printed
from daq.quantity import parse_quantity
from daq.record import RecordSummary, StreamRecord, TZeroRecord
from daq.recover import Channel, Recovered, Rows, Stream, recover_wire
from daq.recover_lines import recover_lines
from daq.run import RAW, RECORD_FILE, SAMPLES, RunFiles, read_run_files, samples_path, seal_run
from daq.samples import ROW_GROUP, Column, Piece, SamplesHeader, coarsened, write_samples
from daq.staged import clear_staged, write_staged
from daq.stand import Device, Input, Stand
from daq.status import read_status
from daq.tape import Tape, read_tapes

DEFAULT_STREAM = "fast"
_Ints = NDArray[np.int64]


def seal(folder: Path) -> RecordSummary:
    """Decode a run's journals into Parquet, write the record and seal the folder.

    Parameters
    ----------
    folder : Path
        A run folder that was recorded into.

    Raises
    ------
    RecordError
        No run, sealed already, still being recorded, no journals, a journal of an unknown device, made-up data in a
        run that is no rehearsal, or the disk refuses.
    """
    if (folder / MANIFEST).exists():
        raise RecordError(f"{folder}: sealed already; what is sealed is never touched again")
    files = read_run_files(folder)
    _refuse_while_recording(folder / RAW)
    devices = recover(folder / RAW, files.stand)
    if not files.info.rehearsal:
        for device in devices:
            if device.rehearsal:
                raise RecordError(
                    f"{folder}: device {device.device} played made-up values (time_scale {device.time_scale:g}), but "
                    "the run is not a rehearsal; record it again with --rehearsal"
                )
    t_zero, missing = find_t_zero(files.plan.test, devices)
    return finish(folder, files, devices, t_zero, missing)


def _refuse_while_recording(raw: Path) -> None:
    """Refuse a folder that a capture process still writes into: it may outlive the program that started it."""
    if not is_held(raw):
        return
    told = (read_status(path) for path in sorted(raw.glob("*_capture.json")))
    living = [status for status in told if status is not None and status.exit_code is None]
    names = ", ".join(f"{status.device} (process {status.pid})" for status in living) or "a device"
    what = " ".join(["kill", *(str(status.pid) for status in living)]) if living else "end its capture process"
    raise RecordError(f"{raw}: still being recorded: {names}; end that first: {what}")


def finish(
    folder: Path, files: RunFiles, devices: Sequence[Recovered], t_zero: TZeroRecord | None, missing: str | None
) -> RecordSummary:
    """Write samples, record and manifest of what was decoded."""
    clear_staged(folder)
    supplies = _supplies(devices, files)
    records = {
        device.device: device_record(device, _write_streams(folder, files, device, supplies), files.stand)
        for device in devices
    }
    if files.info.source == "recorded":
        silent = {device.name for device in files.stand.device} - records.keys()
        records |= {name: silent_device() for name in sorted(silent)}
    summary = RecordSummary(devices=records, t_zero=t_zero, t_zero_missing=missing)
    write_staged(folder / RECORD_FILE, summary.text().encode())
    seal_run(folder)
    return summary


def recover(raw: Path, stand: Stand) -> list[Recovered]:
    """Decode all journals in a folder, devices in the stand's order.

    Raises
    ------
    RecordError
        No journal, or one of a device that the stand does not name.
    """
    tapes = read_tapes(raw)
    known = [device.name for device in stand.device]
    for name in tapes.keys() - set(known):
        raise RecordError(f"{raw}: holds a journal of {name}, but the stand has only {', '.join(known)}")
    starts = [int(reel.arrival_ns[0]) for tape in tapes.values() for reel in tape.reels if reel.arrival_ns.size]
    origin = min(starts, default=0)
    found = []
    for device in stand.device:
        if device.name in tapes:
            found.append(_recover(tapes.pop(device.name), device, stand, origin))
    return found


def _recover(tape: Tape, device: Device, stand: Stand, origin_ns: int) -> Recovered:
    tolerance = device.clock_tolerance.value
    if device.text_lines is None:
        return recover_wire(tape, origin_ns=origin_ns, tolerance=tolerance, serial=device.serial)
    streams = {item.stream for item in stand.input if item.device == device.name}
    name = streams.pop() if len(streams) == 1 else DEFAULT_STREAM
    return recover_lines(tape, device.text_lines, stream=name, tolerance=tolerance)


# --- calibrated columns ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Supply:
    """Readings of a supply, in time order, so that other channels can be scaled by them."""

    host_ns: _Ints
    volts: NDArray[np.float64]

    def at(self, host_ns: _Ints) -> NDArray[np.float64]:
        """Read off in straight lines between samples; exact where the samples coincide."""
        origin = int(self.host_ns[0])
        return np.asarray(np.interp((host_ns - origin) / 1e9, (self.host_ns - origin) / 1e9, self.volts))


@dataclass(frozen=True, slots=True)
class _Tagged:
    """One column of a stream with what is needed to calibrate it."""

    place: int
    resolution: float  # of one recorded count, in what the stand and the calibration take for counts
    item: Input
    calibration: Calibration

    def signal(self, counts: NDArray[np.integer], supply: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn the stream's counts into this column's signal."""
        told = printed(counts[:, self.place].astype(np.int64), self.resolution)
        return signal_from_counts(self.item, told, supply)


def _tagged(stream: Stream, device: str, files: RunFiles) -> list[_Tagged]:
    inputs = _inputs(stream, device, files.stand)
    found = []
    for place, channel in enumerate(stream.channels):
        item = inputs.get(channel.wire)
        calibration = files.calibrations.get(item.tag) if item is not None else None
        if item is not None and calibration is not None:
            found.append(_Tagged(place, channel.resolution, item, calibration))
    return found


def _inputs(stream: Stream, device: str, stand: Stand) -> dict[str, Input]:
    """Map wire names to the stand's inputs; a stream whose layout changed on the way keeps its inputs."""
    return {item.wire: item for item in stand.input if (item.device, item.stream) == (device, stream.told)}


def _host_ns(device: Recovered, rows: Rows) -> _Ints:
    assert device.clock is not None  # noqa: S101 - where there are rows there is a clock
    return device.clock.to_host_ns(rows.key, rows.ticks)


def _supplies(devices: Sequence[Recovered], files: RunFiles) -> dict[str, _Supply]:
    needed = {item.supply for item in files.stand.input if item.supply}
    found: dict[str, _Supply] = {}
    for device in devices:
        for stream in device.streams:
            for one in _tagged(stream, device.device, files):
                if one.item.tag in needed and stream.segments:
                    host = np.concatenate([_host_ns(device, rows) for rows in stream.segments])
                    signal = np.concatenate([one.signal(rows.counts, 1.0) for rows in stream.segments])
                    found[one.item.tag] = _Supply(host, to_si(one.calibration.reading(signal), one.calibration))
    return found


def _readings(
    tagged: Sequence[_Tagged], counts: NDArray[np.integer], host_ns: _Ints, supplies: Mapping[str, _Supply]
) -> dict[str, NDArray[np.float64]]:
    """Calibrate what can be calibrated, in the calibrations' own units."""
    found = {}
    for one in tagged:
        supply: float | NDArray[np.float64] = 1.0
        if one.item.supply and one.item.supply in supplies:
            supply = supplies[one.item.supply].at(host_ns)
        elif one.item.supply:
            supply = parse_quantity(one.item.supply, "voltage").value
        reading = one.calibration.reading(one.signal(counts, supply))
        if one.item.kind != "counts":
            two = signal_from_counts(one.item, np.array([0.0, one.resolution]), float(np.mean(supply)))
            step = np.diff(one.calibration.reading(two))[0]
            reading = coarsened(reading, float(step))
        found[one.item.tag] = reading
    return found


# --- samples ---------------------------------------------------------------------------------------------


def _write_streams(
    folder: Path, files: RunFiles, device: Recovered, supplies: Mapping[str, _Supply]
) -> dict[str, StreamRecord]:
    try:
        (folder / SAMPLES).mkdir(exist_ok=True)
    except OSError as error:
        raise RecordError(f"{folder / SAMPLES}: cannot be made: {reason(error)}") from error
    records = {}
    for stream in device.streams:
        tagged = [
            one
            for one in _tagged(stream, device.device, files)
            if not one.item.supply or one.item.supply[0].isdigit() or one.item.supply in supplies
        ]
        header = SamplesHeader(
            run=files.info.number,
            rehearsal=files.info.rehearsal,
            device=device.device,
            stream=stream.name,
            time_scale=device.time_scale,
            tick_hz=float(stream.tick_hz),
            interval_ticks=stream.interval_ticks,
            columns=_columns(stream, device.device, files.stand, tagged),
        )
        if stream.segments:
            pieces = _pieces(device, stream, tagged, supplies)
            write_samples(samples_path(folder, device.device, stream.name), header, pieces)
        records[stream.name] = stream_record(device, stream, header.columns)
    return records


def _columns(stream: Stream, device: str, stand: Stand, tagged: Sequence[_Tagged]) -> tuple[Column, ...]:
    inputs = _inputs(stream, device, stand)
    calibrated = {one.place: one.calibration for one in tagged}
    return tuple(
        _column(channel, inputs.get(channel.wire), calibrated.get(place))
        for place, channel in enumerate(stream.channels)
    )


def _column(channel: Channel, item: Input | None, calibration: Calibration | None) -> Column:
    return Column(
        wire=channel.wire,
        tag=item.tag if item is not None else None,
        type=channel.type,
        minimum=channel.minimum,
        maximum=channel.maximum,
        resolution=channel.resolution,
        reading_unit=calibration.reading_unit if calibration is not None else None,
        calibration=calibration.name if calibration is not None else None,
    )


def _pieces(
    device: Recovered, stream: Stream, tagged: Sequence[_Tagged], supplies: Mapping[str, _Supply]
) -> Iterator[Piece]:
    for rows in stream.segments:
        host_ns = _host_ns(device, rows)
        for start in range(0, rows.sequence.size, ROW_GROUP):
            part = slice(start, start + ROW_GROUP)
            counts = rows.counts[part]
            yield Piece(
                rows.sequence[part],
                rows.boot,
                rows.ticks[part],
                host_ns[part],
                counts,
                _readings(tagged, counts, host_ns[part], supplies),
            )
