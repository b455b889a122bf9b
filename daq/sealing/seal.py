"""Decode a run's journals into samples, record and manifest. Everything here can be repeated from ``raw``.

A run is sealed once. Until the manifest is there, sealing may be repeated: after a crash it starts over.
"""

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from standbook.daq.capture.process_status import missing_journal, read_status
from standbook.daq.config.stand import Device, Stand
from standbook.daq.errors import RecordError
from standbook.daq.recovery.decode_text import recover_lines
from standbook.daq.recovery.decode_wire import DecodedDevice, Stream, recover_wire
from standbook.daq.recovery.device_alignment import align
from standbook.daq.recovery.device_clock import scaled_arrivals
from standbook.daq.recovery.device_stream import DeviceStream, read_tapes
from standbook.daq.recovery.loss_account import device_record, find_t_zero, silent_device, stream_record
from standbook.daq.run.marks import MARKS_FILE, CrewMark, read_marks
from standbook.daq.run.record_summary import MarkRecord, NoteRecord, RecordSummary, StreamRecord, TZeroRecord
from standbook.daq.run.recording_end import recording_end_notes
from standbook.daq.run.run_folder import RAW, RECORD_FILE, SAMPLES, RunFiles, read_run_files, samples_path, seal_run
from standbook.daq.run.samples_file import SamplesHeader, write_samples
from standbook.daq.sealing.calibrated_columns import (
    Supply,
    Tagged,
    columns_of,
    host_times,
    needed_supplies,
    pieces_of,
    supply_of,
    tagged_columns,
    with_supply,
)
from standbook.daq.storage.atomic_write import clear_staged, write_atomic
from standbook.daq.storage.durable_file import reason
from standbook.daq.storage.folder_lock import is_folder_locked
from standbook.daq.storage.manifest import MANIFEST
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.saved_layouts import load_layouts

DEFAULT_STREAM = "fast"


def seal(folder: Path, *, remarks: Sequence[NoteRecord] = ()) -> RecordSummary:
    """Decode a run's journals into Parquet, write the record and seal the folder.

    Parameters
    ----------
    folder : Path
        A run folder that was recorded into.
    remarks : sequence of NoteRecord
        What else the record should say of itself.

    Raises
    ------
    RecordError
        No run, sealed already, still being recorded, no journals, a journal of an unknown device, simulated data in a
        run that is no rehearsal, or the disk refuses.
    """
    if (folder / MANIFEST).exists():
        raise RecordError(
            f"{folder}: sealed already; what is sealed is never touched again. Rebuild it in a new folder: "
            f"standbook recover {folder} --into NEW_FOLDER"
        )
    files = read_run_files(folder)
    refuse_while_recording(folder / RAW)
    device_streams = read_tapes(folder / RAW)
    devices = decode_run(folder, files.stand, device_streams)
    if not files.info.rehearsal:
        for device in devices:
            if device.rehearsal:
                raise RecordError(
                    f"{folder}: device {device.device} played simulated values (time_scale {device.time_scale:g}), but "
                    "the run is not a rehearsal; record it again with --rehearsal"
                )
    t_zero, missing = find_t_zero(files.plan.test, devices)
    marks = place_marks(read_marks(folder / MARKS_FILE), device_streams, devices)
    remarks = (*remarks, *recording_end_notes(folder / RAW))
    return write_sealed_run(folder, files, devices, t_zero, missing, marks=marks, remarks=remarks)


def refuse_while_recording(raw: Path) -> None:
    """Refuse a folder that a capture process still writes into: it may outlive its parent program."""
    if not is_folder_locked(raw):
        return
    told = (read_status(path) for path in sorted(raw.glob("*_capture.json")))
    living = [status for status in told if status is not None and status.exit_code is None]
    names = ", ".join(f"{status.device} (process {status.pid})" for status in living) or "a device"
    what = " ".join(["kill", *(str(status.pid) for status in living)]) if living else "end its capture process"
    raise RecordError(f"{raw}: still being recorded: {names}; end that first: {what}")


def write_sealed_run(
    folder: Path,
    files: RunFiles,
    devices: Sequence[DecodedDevice],
    t_zero: TZeroRecord | None,
    missing: str | None,
    *,
    marks: Sequence[MarkRecord] = (),
    remarks: Sequence[NoteRecord] = (),
) -> RecordSummary:
    """Write samples, record and manifest of a decoded run."""
    clear_staged(folder)
    supplies = _supplies(devices, files)
    records = {
        device.device: device_record(device, _write_streams(folder, files, device, supplies), files.stand)
        for device in devices
    }
    if files.info.source == "recorded":
        silent = {device.name for device in files.stand.device} - records.keys()
        records |= {name: silent_device(missing_journal(folder / RAW, name)) for name in sorted(silent)}
    summary = RecordSummary(
        devices=records, t_zero=t_zero, t_zero_missing=missing, marks=tuple(marks), remarks=tuple(remarks)
    )
    write_atomic(folder / RECORD_FILE, summary.text().encode())
    seal_run(folder)
    return summary


def decode_run(folder: Path, stand: Stand, device_streams: Mapping[str, DeviceStream]) -> list[DecodedDevice]:
    """Decode all journals of a run, devices in the stand's order and on one time base.

    Parameters
    ----------
    folder : Path
        The run, for its saved layouts.
    stand : Stand
        Names the devices.
    device_streams : mapping of device to DeviceStream
        What the journals hold, from :func:`read_tapes`.

    Raises
    ------
    RecordError
        A journal of a device that the stand does not name.
    ConfigError
        A saved layout is damaged.
    """
    known = [device.name for device in stand.device]
    for name in device_streams.keys() - set(known):
        raise RecordError(f"{folder / RAW}: holds a journal of {name}, but the stand has only {', '.join(known)}")
    origin = _origin(device_streams)
    found = []
    for device in stand.device:
        if device.name in device_streams:
            layouts = load_layouts(folder, device.name) if device.text_lines is None else ()
            found.append(_recover(device_streams[device.name], device, stand, origin, layouts))
    return align(found, stand) if len(found) > 1 else found


def _origin(device_streams: Mapping[str, DeviceStream]) -> int:
    """Return the first arrival of all devices, about which a fast rehearsal is stretched. [ns]."""
    starts = [
        int(opening.arrival_ns[0])
        for device_stream in device_streams.values()
        for opening in device_stream.openings
        if opening.arrival_ns.size
    ]
    return min(starts, default=0)


def place_marks(
    marks: Sequence[CrewMark], device_streams: Mapping[str, DeviceStream], devices: Sequence[DecodedDevice]
) -> tuple[MarkRecord, ...]:
    """Convert the crew's marks to the record's time base: the journals' boot clock, through all clock steps.

    A mark lies as the computer saw it; rows are later than they were taken by the least delay of their link.
    """
    offsets = next(
        (device_stream.wall_offsets for device_stream in device_streams.values() if device_stream.wall_offsets), ()
    )
    scale = max((device.time_scale for device in devices), default=1.0)
    placed = []
    for mark in marks:
        # Of several starts of the computer, the one whose wall clock agrees with the mark's.
        host = min((mark.boottime_ns + offset for offset in offsets), key=lambda at: abs(at - mark.wall_ns), default=0)
        host = int(scaled_arrivals(np.array([host if offsets else mark.wall_ns]), _origin(device_streams), scale)[0])
        placed.append(
            MarkRecord(number=mark.number, text=mark.text, key=mark.key, by=mark.by, host_ns=host, struck=mark.struck)
        )
    return tuple(placed)


def _recover(
    device_stream: DeviceStream, device: Device, stand: Stand, origin_ns: int, layouts: Sequence[Hello]
) -> DecodedDevice:
    tolerance = device.clock_tolerance.value
    if device.text_lines is None:
        return recover_wire(
            device_stream, origin_ns=origin_ns, tolerance=tolerance, serial=device.serial, layouts=layouts
        )
    streams = {item.stream for item in stand.input if item.device == device.name}
    name = streams.pop() if len(streams) == 1 else DEFAULT_STREAM
    return recover_lines(device_stream, device.text_lines, stream=name, tolerance=tolerance)


def _tagged(stream: Stream, device: str, files: RunFiles) -> list[Tagged]:
    return tagged_columns(stream.channels, device, stream.told, files)


def _supplies(devices: Sequence[DecodedDevice], files: RunFiles) -> dict[str, Supply]:
    needed = needed_supplies(files.stand)
    found: dict[str, Supply] = {}
    for device in devices:
        for stream in device.streams:
            for one in _tagged(stream, device.device, files):
                if one.item.tag in needed and stream.segments:
                    host = np.concatenate([host_times(device, rows) for rows in stream.segments])
                    found[one.item.tag] = supply_of(one, [rows.counts for rows in stream.segments], host)
    return found


# --- samples ---------------------------------------------------------------------------------------------


def _write_streams(
    folder: Path, files: RunFiles, device: DecodedDevice, supplies: Mapping[str, Supply]
) -> dict[str, StreamRecord]:
    try:
        (folder / SAMPLES).mkdir(exist_ok=True)
    except OSError as error:
        raise RecordError(f"{folder / SAMPLES}: cannot be made: {reason(error)}") from error
    records = {}
    for stream in device.streams:
        tagged = with_supply(_tagged(stream, device.device, files), supplies)
        header = SamplesHeader(
            run=files.info.number,
            rehearsal=files.info.rehearsal,
            device=device.device,
            stream=stream.name,
            time_scale=device.time_scale,
            tick_hz=float(stream.tick_hz),
            interval_ticks=stream.interval_ticks,
            columns=columns_of(stream.channels, device.device, stream.told, files.stand, tagged),
        )
        if stream.segments:
            pieces = pieces_of(device, stream, tagged, supplies)
            write_samples(samples_path(folder, device.device, stream.name), header, pieces)
        records[stream.name] = stream_record(device, stream, header.columns)
    return records
