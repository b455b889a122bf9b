"""Verify that a run is what was sealed, and report rows present and missing by stream.

Every hash is computed again, every stream decoded again from the journals and compared row for row with its samples.
Nothing is written. A person who means to deceive can write new hashes: only a hash kept elsewhere tells of that.
"""

import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import pyarrow as pa

from standbook.daq.errors import EXIT_FINDINGS, EXIT_FINE, RecordError, StandError
from standbook.daq.recovery.decode_wire import DecodedDevice, Stream
from standbook.daq.recovery.device_stream import read_tapes
from standbook.daq.recovery.loss_account import find_t_zero, stream_record
from standbook.daq.run.additions import ADDITIONS, additions_of
from standbook.daq.run.merged_rows import gaps_by_start, merge, read_fills, starts_of
from standbook.daq.run.record_summary import DeviceRecord, Gap, RecordSummary, few_notes, read_record_file, t_plus
from standbook.daq.run.recording_end import recording_end_notes
from standbook.daq.run.revision import revision_folder, revisions_of
from standbook.daq.run.run_folder import RAW, RECORD_FILE, SAMPLES, RunFiles, check_run, read_run_files, samples_path
from standbook.daq.run.samples_file import Samples, read_samples
from standbook.daq.sealing.seal import decode_run
from standbook.daq.storage.folder_lock import is_folder_locked
from standbook.daq.storage.manifest import MANIFEST, Manifest, verify

GAPS_TOLD = 3  # in one line; the rest are counted
# What reading rubbish may raise besides our own: the libraries that parse it are not ours.
RUBBISH = (StandError, ValueError, TypeError, LookupError, ArithmeticError, OSError, MemoryError, pa.ArrowException)
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamCheck:
    """Rows present and missing of one stream."""

    device: str
    stream: str
    rows: int  # filled ones included
    filled: int
    sequences: tuple[tuple[int, int], ...]  # first and last of each start of the device
    gaps: tuple[Gap, ...]  # still missing
    t_zero_ns: int | None

    @property
    def is_whole(self) -> bool:
        """Tell whether nothing is missing."""
        return not self.gaps

    def sentence(self) -> str:
        """Describe the stream in one line."""
        spans = [f"{first:,} to {last:,}" for first, last in self.sequences[:GAPS_TOLD]]
        more = ", ..." if len(self.sequences) > GAPS_TOLD else ""
        there = f"{self.rows:,} rows" + (f", sequence {', '.join(spans)}{more}" if spans else "")
        there += f", {_plural(len(self.sequences), 'board start')}"
        if self.filled:
            there += f", {self.filled:,} of them filled from additions"
        head = f"{self.device}/{self.stream}: "
        return f"{head}whole: {there}" if self.is_whole else f"{head}{there}; {'; '.join(self._missing())}"

    def _missing(self) -> Iterator[str]:
        counted = [gap for gap in self.gaps if gap.rows is not None]
        unknown = [gap for gap in self.gaps if gap.rows is None]
        if counted:
            rows = sum(gap.rows or 0 for gap in counted)
            about = "" if all(gap.exact for gap in counted) else "about "
            yield f"{about}{_plural(rows, 'row')} missing in {_plural(len(counted), 'gap')}, {self._places(counted)}"
        if unknown:
            yield f"not known between board starts, {self._places(unknown)}"

    def _places(self, gaps: Sequence[Gap]) -> str:
        told = [f"{self._when(gap.start_ns)} for {(gap.end_ns - gap.start_ns) / 1e9:.3f} s" for gap in gaps[:GAPS_TOLD]]
        return ", ".join(told) + (f" and {len(gaps) - GAPS_TOLD} more" if len(gaps) > GAPS_TOLD else "")

    def _when(self, host_ns: int) -> str:
        if self.t_zero_ns is not None:
            return t_plus(host_ns, self.t_zero_ns)
        return str(np.datetime64(host_ns, "ns").astype("datetime64[ms]")) + " UTC"


@dataclass(frozen=True, slots=True, kw_only=True)
class Verification:
    """Result of verifying a run."""

    sealed: bool
    streams: tuple[StreamCheck, ...]
    checks: tuple[str, ...]  # found as they should be
    findings: tuple[str, ...]  # missing, damaged when it was recorded, or not as it should be
    changed: tuple[str, ...]  # sealed, and no longer what was sealed

    @property
    def exit_code(self) -> int:
        """Exit code of the command."""
        if self.changed:
            return RecordError.exit_code
        whole = not self.findings and all(stream.is_whole for stream in self.streams)
        return EXIT_FINE if whole else EXIT_FINDINGS

    def sentences(self) -> tuple[str, ...]:
        """Describe the result, one line a fact."""
        told = [stream.sentence() for stream in self.streams]
        told += [*self.checks, *(f"finding: {text}" for text in self.findings)]
        return (*told, *(f"CHANGED: {text}" for text in self.changed))

    def to_json(self) -> dict[str, Any]:
        """Return the result as plain data."""
        streams = [
            {
                "device": s.device,
                "stream": s.stream,
                "whole": s.is_whole,
                "rows": s.rows,
                "filled": s.filled,
                "sequences": [list(span) for span in s.sequences],
                "gaps": [gap.model_dump(mode="json") for gap in s.gaps],
            }
            for s in self.streams
        ]
        told = {key: list(value) for key, value in asdict(replace(self, streams=())).items() if key not in _OWN}
        return {"sealed": self.sealed, "exit_code": self.exit_code, "streams": streams, **told}


_OWN = ("sealed", "streams")


def verify_run(folder: Path) -> Verification:
    """Check a run, sealed or not, as far as it can be read.

    Parameters
    ----------
    folder : Path
        A run folder. Of one that is not sealed only the journals are checked.

    Raises
    ------
    StandError
        It is no run folder, or, not sealed yet, cannot be decoded.
    """
    if not os.path.lexists(folder / MANIFEST):
        return _unsealed(folder)
    found = _Findings()
    manifest = found.attempt(lambda: check_run(folder), found.changed)
    if manifest is not None:
        found.checks.append(f"manifest: {_plural(len(manifest.files), 'file')} as sealed, {manifest.sha256}")
    _check_beside(folder, found)
    files = found.attempt(lambda: read_run_files(folder), found.findings)
    record = found.attempt(lambda: read_record_file(folder / RECORD_FILE), found.findings)
    streams: tuple[StreamCheck, ...] = ()
    if record is not None:
        found.findings += _losses(record)
        found.checks += [remark.text for remark in record.remarks if remark.severity == "note"]
        streams = tuple(_sealed_streams(folder, record, files, found))
    return Verification(
        sealed=True,
        streams=streams,
        checks=tuple(found.checks),
        findings=tuple(found.findings),
        changed=tuple(found.changed),
    )


class _Findings:
    """What is collected on the way."""

    def __init__(self) -> None:
        self.checks: list[str] = []
        self.findings: list[str] = []
        self.changed: list[str] = []

    def attempt(self, what: Callable[[], T], into: list[str]) -> T | None:
        """Do one check; what it raises becomes a sentence."""
        try:
            return what()
        except StandError as error:
            into.append(str(error).partition("\n")[0])
        except RUBBISH as error:
            into.append(f"cannot be checked: {type(error).__name__}: {str(error).partition(chr(10))[0]}")
        return None


def _check_beside(folder: Path, found: _Findings) -> None:
    """Check additions and analyses: their own hashes, and that each names what it builds on."""
    above = [f"../../{MANIFEST}"]
    places = found.attempt(lambda: additions_of(folder), found.changed) or []
    for number, place in enumerate(places, start=1):
        name = f"{ADDITIONS}/{place.name}"
        if int(place.name) != number:
            found.changed.append(f"{ADDITIONS}/{number:03d} is missing; take it from the second copy")
            break
        _check_chain(place, name, above, found)
        above = [f"../../{MANIFEST}", f"../{place.name}/{MANIFEST}"]
    for revision in found.attempt(lambda: revisions_of(folder), found.changed) or []:
        place = revision_folder(folder, revision)
        _check_chain(place, f"analysis/{place.name}", [f"../../{MANIFEST}"], found)


def _check_chain(place: Path, name: str, above: Sequence[str], found: _Findings) -> None:
    manifest: Manifest | None = found.attempt(lambda: verify(place), found.changed)
    if manifest is None:
        return
    unnamed = [parent for parent in above if parent not in manifest.parents]
    if unnamed:
        found.changed.append(f"{name}: its manifest does not name {', '.join(unnamed)}, which it must build on")
    else:
        files = _plural(len(manifest.files), "file")
        found.checks.append(f"{name}: {files} as sealed, built on {_plural(len(manifest.parents), 'manifest')}")


def _losses(record: RecordSummary) -> Iterator[str]:
    """Say what the record itself declares, gaps aside."""
    for name, device in record.devices.items():
        yield from _device_losses(name, device)
    yield from (remark.text for remark in record.remarks if remark.severity == "serious")


def _device_losses(name: str, device: DeviceRecord) -> Iterator[str]:
    counts = {
        "checksum error": device.damaged_frames,
        "frame of unknown layout or format": device.undecoded_frames,
        "edge that nobody saw": device.lost_edges,
    }
    yield from (f"{name}: {count:,} {what}{'s' if count > 1 else ''}" for what, count in counts.items() if count)
    yield from (
        f"{name}/{stream}: {_plural(len(known.clock_steps), 'step')} of the clock, put right by row numbers"
        for stream, known in device.streams.items()
        if known.clock_steps
    )
    yield from (f"{name}: {note.text}" for note in few_notes([n for n in device.notes if n.severity == "serious"]))


# --- streams ---------------------------------------------------------------------------------------------


def _sealed_streams(
    folder: Path, record: RecordSummary, files: RunFiles | None, found: _Findings
) -> Iterator[StreamCheck]:
    fresh = _decoded(folder, files, found)
    fills = found.attempt(lambda: read_fills(folder), found.changed) or ()
    t_zero = record.t_zero or next((one.fill.t_zero for one in fills if one.fill.t_zero is not None), None)
    t_zero_ns = None if t_zero is None else t_zero.host_ns
    same = 0
    for device, known in record.devices.items():
        for name, told in known.streams.items():
            where = f"{device}/{name}"
            if not told.rows:
                yield StreamCheck(
                    device=device, stream=name, rows=0, filled=0, sequences=(), gaps=told.gaps, t_zero_ns=t_zero_ns
                )
                continue
            samples = found.attempt(lambda d=device, n=name: read_samples(samples_path(folder, d, n)), found.findings)  # type: ignore[misc]
            if samples is None:
                found.findings.append(f"{where}: {told.rows:,} rows are in the record, their samples cannot be read")
                continue
            before = len(found.findings)
            stream, shared = _stream_named(fresh or (), device, name)
            # What one layout of a stream lacks may stand in another: then only a fresh decode tells what is missing.
            gaps_faults = _shared_gaps(stream, told.gaps) if shared else _against_record(samples, told.rows, told.gaps)
            found.findings += [f"{where}: {fault}" for fault in gaps_faults]
            if fresh is not None:
                found.findings += [f"{where}: {fault}" for fault in _against_raw(samples, stream)]
            same += samples.sequence.size if len(found.findings) == before else 0
            merged = found.attempt(lambda s=samples, g=told.gaps: merge(s, g, fills), found.changed)  # type: ignore[misc]
            rows, gaps = (samples, told.gaps) if merged is None else (merged.samples, merged.gaps)
            filled = 0 if merged is None else int(merged.filled.sum())
            yield _check(device, name, rows, filled, gaps, t_zero_ns)
    recorded = {samples_path(folder, d, n).name for d, k in record.devices.items() for n in k.streams}
    there = sorted(path.name for path in (folder / SAMPLES).glob("*") if not path.name.startswith("."))
    found.findings += [f"{SAMPLES}/{name}: the record knows no such stream" for name in there if name not in recorded]
    how = "as in the record and in a fresh decode of the journals" if fresh is not None else "as in the record"
    found.checks.append(f"samples: {same:,} rows {how}")


def _check(
    device: str, name: str, rows: Samples, filled: int, gaps: Sequence[Gap], t_zero_ns: int | None
) -> StreamCheck:
    starts = starts_of(rows.boot, rows.sequence)
    spans = tuple((int(rows.sequence[s.start]), int(rows.sequence[s.stop - 1])) for s in starts)
    return StreamCheck(
        device=device,
        stream=name,
        rows=rows.sequence.size,
        filled=filled,
        sequences=spans,
        gaps=tuple(gaps),
        t_zero_ns=t_zero_ns,
    )


def _decoded(folder: Path, files: RunFiles | None, found: _Findings) -> list[DecodedDevice] | None:
    if files is None:
        return None
    if files.info.source == "imported":
        found.checks.append("imported: the samples are not compared with the CSV again; its hash is")
        return None
    return found.attempt(lambda: decode_run(folder, files.stand, read_tapes(folder / RAW)), found.findings)


def _stream_named(devices: Sequence[DecodedDevice], device: str, name: str) -> tuple[Stream | None, bool]:
    """Find a stream in a fresh decode, and tell whether its layout changed, so that it goes on under another name."""
    streams = [stream for one in devices if one.device == device for stream in one.streams]
    found = next((stream for stream in streams if stream.name == name), None)
    return found, found is not None and sum(stream.told == found.told for stream in streams) > 1


def _shared_gaps(stream: Stream | None, gaps: Sequence[Gap]) -> Iterator[str]:
    fresh = [(hole.first, hole.rows) for part in stream.segments for hole in part.holes] if stream is not None else []
    told = [(gap.first_sequence, gap.rows) for gap in gaps if gap.first_sequence is not None]
    if set(fresh) != set(told):
        first, rows = min(set(fresh) ^ set(told), key=lambda gap: gap[0] or 0)
        yield f"the record and a fresh decode disagree on the {rows} rows missing from sequence {first} on"


def _against_record(samples: Samples, rows: int, gaps: Sequence[Gap]) -> Iterator[str]:
    """Hold the samples against what the record says of them."""
    if samples.sequence.size != rows:
        yield f"{samples.sequence.size:,} rows in the samples, {rows:,} in the record"
        return
    starts = starts_of(samples.boot, samples.sequence)
    sorted_gaps = gaps_by_start(gaps, len(starts))
    if sorted_gaps is None:
        yield f"the samples have {_plural(len(starts), 'board start')}, the record's gaps speak of another number"
        return
    for part, own in zip(starts, sorted_gaps[0], strict=True):
        sequence = samples.sequence[part]
        after = np.flatnonzero(np.diff(sequence) > 1)
        seen = {(int(sequence[k]) + 1, int(sequence[k + 1] - sequence[k]) - 1) for k in after.tolist()}
        told = {
            (gap.first_sequence, gap.rows)
            for gap in own
            if gap.first_sequence is not None and sequence[0] < gap.first_sequence < sequence[-1]
        }
        if seen != told:
            first, count = min(seen ^ told, key=lambda gap: gap[0] or 0)
            yield f"the record and the samples disagree on the {count} rows missing from sequence {first} on"


def _against_raw(samples: Samples, stream: Stream | None) -> Iterator[str]:
    """Hold the samples against a fresh decode, row for row."""
    if stream is None or not stream.segments:
        yield "a fresh decode of the journals gives no such rows"
        return
    parts = stream.segments
    fresh = {
        "sequence": np.concatenate([part.sequence for part in parts]),
        "boot": np.concatenate([np.full(part.sequence.size, part.boot, np.int64) for part in parts]),
        "ticks": np.concatenate([part.ticks for part in parts]),
    }
    if fresh["sequence"].size != samples.sequence.size:
        yield f"{samples.sequence.size:,} rows in the samples, {fresh['sequence'].size:,} in a fresh decode"
        return
    wires = [column.wire for column in samples.header.columns]
    if wires != [channel.wire for channel in stream.channels]:
        yield f"the samples have channels {', '.join(wires)}, a fresh decode has others"
        return
    counts = np.concatenate([part.counts for part in parts])
    fresh |= {column.name: counts[:, k] for k, column in enumerate(samples.header.columns)}
    kept = {"sequence": samples.sequence, "boot": samples.boot, "ticks": samples.ticks, **samples.counts}
    for name, values in fresh.items():
        wrong = np.flatnonzero(values != kept[name])
        if wrong.size:
            at = int(samples.sequence[wrong[0]])
            yield f"{name} differs from a fresh decode in {_plural(wrong.size, 'row')}, the first at sequence {at}"


# --- not sealed ------------------------------------------------------------------------------------------


def _unsealed(folder: Path) -> Verification:
    files = read_run_files(folder)
    told = [f"not sealed yet, so only the journals were checked; seal it with: standbook recover {folder}"]
    is_recording = is_folder_locked(folder / RAW)
    if is_recording:
        told = ["still being recorded; only what the journals hold by now was checked"]
    if (folder / SAMPLES).exists():
        told.append(f"has {SAMPLES} but no {MANIFEST}: sealing was interrupted, or the manifest is lost")
    devices = decode_run(folder, files.stand, read_tapes(folder / RAW, is_recording=is_recording))
    t_zero, _ = find_t_zero(files.plan.test, devices)
    streams = []
    for device in devices:
        told += _unsealed_losses(device)
        for stream in device.streams:
            sequences = tuple((int(part.sequence[0]), int(part.sequence[-1])) for part in stream.segments)
            account = stream_record(device, stream, ())
            at = None if t_zero is None else t_zero.host_ns
            streams.append(
                StreamCheck(
                    device=device.device,
                    stream=stream.name,
                    rows=account.rows,
                    filled=0,
                    sequences=sequences,
                    gaps=account.gaps,
                    t_zero_ns=at,
                )
            )
    absent = {device.name for device in files.stand.device} - {device.device for device in devices}
    told += [f"{name}: there is no journal of it" for name in sorted(absent)]
    if not is_recording:  # what stands there until it is over says how it ended if nobody comes to say it
        told += [note.text for note in recording_end_notes(folder / RAW) if note.severity == "serious"]
    return Verification(sealed=False, streams=tuple(streams), checks=(), findings=tuple(told), changed=())


def _unsealed_losses(device: DecodedDevice) -> Iterator[str]:
    if device.damaged_frames or device.undecoded_frames or device.lost_edges:
        yield (
            f"{device.device}: {device.damaged_frames:,} frames with checksum error, {device.undecoded_frames:,} of "
            f"unknown layout or format, {device.lost_edges:,} edges that nobody saw"
        )
    for stream in device.streams:
        steps = sum(step.kind != "stall" for rows in stream.segments for step in rows.steps)
        if steps:
            yield f"{device.device}/{stream.name}: {_plural(steps, 'step')} of the clock, put right by row numbers"
    serious = few_notes([note for note in device.notes if note.severity == "serious"])
    yield from (f"{device.device}: {note.text}" for note in serious)


def _plural(count: int, what: str) -> str:
    return f"{count:,} {what}" if count == 1 else f"{count:,} {what}s"
