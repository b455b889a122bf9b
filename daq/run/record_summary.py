"""Summarise a record in ``record.json``, written once when a run is sealed.

Host times are nanoseconds since 1970, UTC. Rows that are missing are named here, never filled in the samples.
"""

import datetime as dt
import json
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Literal

from pydantic import ValidationError

from standbook.daq.config.toml_document import Document
from standbook.daq.errors import RecordError
from standbook.daq.regular_file import read_regular

FORMAT = 1
Severity = Literal["note", "caution", "serious"]
SEVERITIES: tuple[Severity, ...] = ("note", "caution", "serious")
NOTES_TOLD = 20  # of one device in sentences and findings


class Gap(Document):
    """Rows that are missing."""

    first_sequence: int | None  # ``None`` where the device started again
    rows: int | None  # ``None`` where nothing counted them
    start_ns: int  # where the first missing row would lie
    end_ns: int  # the first row after, or where it would lie
    exact: bool  # counted by the device, not estimated
    reason: str


class ChannelRecord(Document):
    """One channel of a stream."""

    wire: str
    tag: str | None  # ``None``: the stand does not name it
    type: str
    minimum: int | None  # count at the lower rail; ``None``: not known, clipping cannot be seen
    maximum: int | None
    resolution: float = 1.0  # what one count stands for in the signal; 1 for a device that sends counts


class ClockStepRecord(Document):
    """One place where a device's clock contradicted its row numbers, which were followed."""

    kind: str  # back, forward, frames
    first_sequence: int  # of the first row behind it
    rows: int  # that stood off; 0: all that followed
    seconds: float  # by which the clock stood later than the row numbers


class StreamRecord(Document):
    """One device's stream."""

    rows: int
    lost_rows: int
    duplicates: int
    reordered: int
    interval_ticks: int
    tick_hz: float
    gaps: tuple[Gap, ...]
    channels: tuple[ChannelRecord, ...]
    clock_steps: tuple[ClockStepRecord, ...] = ()


class ClockRecord(Document):
    """A device's clock against the computer's. [ppm], positive when the device is fast."""

    rate_ppm: float
    u_ppm: float
    method: str
    hull_ppm: float | None
    hull_u_ppm: float | None
    tolerance_ppm: float
    bend_percent: float | None = None  # by which arrivals say that the rate changed within the record


class EdgeRecord(Document):
    """A digital line that changed."""

    line: str
    level: int
    host_ns: int
    ticks: int
    boot: int
    restored: bool  # its frame was lost and a beat told of it


class NoteRecord(Document):
    """A note of the device, the port or the computer, or about them."""

    severity: Severity
    host_ns: int | None
    text: str


class AlignmentRecord(Document):
    """How the host times of a device were brought to those of the stand's first one."""

    reference: str  # device
    line: str | None = None  # whose edges both saw; ``None``: there is no such line, nothing was shifted
    edges: int = 0  # that agree on the shift
    shift_s: float | None = None  # taken away from this device's host times [s]
    u_s: float | None = None  # standard uncertainty at these edges [s]
    bound_s: float | None = None  # where nothing was measured: host times may differ by up to this [s]


class MarkRecord(Document):
    """A mark that the crew dropped."""

    number: int
    text: str
    key: str
    by: str
    host_ns: int
    struck: bool


class DeviceRecord(Document):
    """One device."""

    streams: Mapping[str, StreamRecord]
    boots: int  # starts of the device that the record holds
    damaged_frames: int
    damaged_bytes: int
    undecoded_frames: int  # right, but of no known layout or format; the journal keeps them
    torn_bytes: int  # at the end of journals
    lost_edges: int
    clock: ClockRecord | None
    edges: tuple[EdgeRecord, ...]
    notes: tuple[NoteRecord, ...]
    time_scale: float
    alignment: AlignmentRecord | None = None  # of every device but the first


class TZeroRecord(Document):
    """T-0, the instant all times count from."""

    host_ns: int
    source: str
    u_s: float  # standard uncertainty against the rows of its device [s]
    device: str


class RecordSummary(Document):
    """Summary of the whole record."""

    format: int = FORMAT
    devices: Mapping[str, DeviceRecord]
    t_zero: TZeroRecord | None
    t_zero_missing: str | None = None  # why there is none
    marks: tuple[MarkRecord, ...] = ()
    remarks: tuple[NoteRecord, ...] = ()  # about the record as a whole

    @property
    def lost_rows(self) -> int:
        """Rows known to be missing, in all streams."""
        return sum(stream.lost_rows for device in self.devices.values() for stream in device.streams.values())

    @property
    def is_whole(self) -> bool:
        """Tell whether nothing is known to be missing or damaged."""
        has_loss = any(_has_loss(device) for device in self.devices.values())
        return not has_loss and not any(remark.severity == "serious" for remark in self.remarks)

    def to_json(self) -> dict[str, Any]:
        """Return what ``record.json`` holds."""
        return self.model_dump(mode="json")

    def text(self) -> str:
        """Write ``record.json``."""
        return json.dumps(self.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n"

    def sentences(self) -> tuple[str, ...]:
        """Describe the data quality, one line a fact."""
        lines = []
        for name, device in self.devices.items():
            lines += [
                f"{name}/{stream}: {known.rows:,} rows, {known.lost_rows:,} lost in {len(known.gaps)} "
                f"gap{'' if len(known.gaps) == 1 else 's'}"
                for stream, known in device.streams.items()
            ]
            if device.damaged_frames or device.undecoded_frames:
                unknown = f"{device.undecoded_frames:,} of unknown layout or format"
                lines.append(f"{name}: {device.damaged_frames:,} frames with checksum error, {unknown}")
            if device.boots > 1:
                lines.append(f"{name}: started {device.boots} times; rows between starts are not known")
            if device.clock is not None:
                fast = device.clock.rate_ppm
                lines.append(
                    f"{name}: clock {abs(fast):.1f} ppm {'fast' if fast >= 0 else 'slow'}, "
                    f"standard uncertainty {device.clock.u_ppm:.1f} ppm ({device.clock.method})"
                )
            if device.alignment is not None:
                lines.append(f"{name}: {alignment_sentence(device.alignment)}")
            cautions = [note for note in device.notes if note.severity != "note"]
            lines += [f"{name}: {note.text}" for note in few_notes(cautions)]
        lines += [remark.text for remark in self.remarks]
        if self.t_zero is not None:
            lines.append(f"T-0: {self.t_zero.source}")
        else:
            lines.append(f"T-0: none; {self.t_zero_missing}")
        lines += [self._told(mark) for mark in self.marks]
        return tuple(lines)

    def _told(self, mark: MarkRecord) -> str:
        at = dt.datetime.fromtimestamp(mark.host_ns // 1_000_000_000, dt.UTC).strftime("%H:%M:%S UTC")
        when = at if self.t_zero is None else t_plus(mark.host_ns, self.t_zero.host_ns)
        return f"mark {mark.number}, {when}: {mark.text or '(no name)'}{' (void)' if mark.struck else ''}"


def few_notes(notes: Sequence[NoteRecord]) -> tuple[NoteRecord, ...]:
    """Return notes as people read them: equal ones once with their count, and so many at most; none is hidden.

    A board that repeats itself must not drown what else is said; all of it stands in ``record.json``.
    """
    first: dict[tuple[Severity, str], NoteRecord] = {}
    for note in notes:
        first.setdefault((note.severity, note.text), note)
    times = Counter((note.severity, note.text) for note in notes)
    told = [
        note if times[key] == 1 else note.model_copy(update={"text": f"{note.text} ({times[key]:,} times)"})
        for key, note in first.items()
    ]
    if len(told) <= NOTES_TOLD:
        return tuple(told)
    more = told[NOTES_TOLD:]
    worst = max(more, key=lambda note: SEVERITIES.index(note.severity)).severity
    text = f"{len(more):,} notes more, all of them in record.json"
    return (*told[:NOTES_TOLD], NoteRecord(severity=worst, host_ns=None, text=text))


def t_plus(host_ns: int, t_zero_ns: int) -> str:
    """Say how long after T-0 an instant was, or before it: ``T+8.88 s``."""
    return f"T{(host_ns - t_zero_ns) / 1e9:+.2f} s"


def alignment_sentence(alignment: AlignmentRecord) -> str:
    """Describe how far the times of a device can be compared with those of the reference."""
    if alignment.shift_s is not None and alignment.u_s is not None:
        many = "edge" if alignment.edges == 1 else "edges"
        return (
            f"aligned with {alignment.reference} on {alignment.edges} {many} of line {alignment.line}, which it placed "
            f"{1e3 * abs(alignment.shift_s):.3f} ms {'later' if alignment.shift_s >= 0.0 else 'earlier'}; "
            f"standard uncertainty {1e6 * alignment.u_s:.1f} us"
        )
    if alignment.bound_s is not None:
        return (
            f"not aligned with {alignment.reference}: no line of the same name changed in both; their times may "
            f"differ by up to {1e3 * alignment.bound_s:.0f} ms"
        )
    return f"not aligned with {alignment.reference}; how far their times differ is not known"


def _has_loss(device: DeviceRecord) -> bool:
    return bool(
        device.damaged_frames
        or device.undecoded_frames
        or device.lost_edges
        or any(stream.gaps or stream.clock_steps for stream in device.streams.values())
        or any(note.severity == "serious" for note in device.notes)
    )


def read_record_file(path: Path) -> RecordSummary:
    """Read ``record.json`` of a run.

    Raises
    ------
    RecordError
        It cannot be read, is damaged or of another format.
    """
    try:
        return read_record(read_regular(path).decode("utf-8"), str(path))
    except (OSError, UnicodeDecodeError) as error:
        raise RecordError(f"{path}: cannot be read: {error}") from None


def read_record(text: str, name: str) -> RecordSummary:
    """Read ``record.json``; ``name`` is what a message calls it.

    Raises
    ------
    RecordError
        It is damaged or of another format.
    """
    try:
        record = RecordSummary.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise RecordError(f"{name}: not a readable record ({where}: {first['msg']})") from None
    if record.format != FORMAT:
        raise RecordError(f"{name}: format {record.format} is not {FORMAT}; read it with the version that wrote it")
    return record
