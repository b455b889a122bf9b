"""Join all journals of a device to one byte stream, each chunk with its arrival time.

Arrival is UTC in nanoseconds, but runs as evenly as the computer's boot clock: the wall clock is read once, early,
and later steps of it are told as notes, not followed. It counts on through sleep. What the bytes mean is another
subject.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from standbook.daq.capture.process_status import missing_journal
from standbook.daq.errors import RecordError
from standbook.daq.host_clock import STEP_NS
from standbook.daq.journal.reader import Journal, read_journal
from standbook.daq.journal.record_format import Event
from standbook.daq.journal.writer import SUFFIX, journal_name, journals_of
from standbook.daq.run.record_summary import NoteRecord, Severity
from standbook.daq.storage.durable_file import reason

SEPARATOR = b"\0"  # a delimiter between two openings, so that no frame runs across
NAMED_AT_MOST = 5  # missing journals, each in a sentence of its own
LONGEST_NUMBER = 5  # digits of a journal's number that are believed; more openings than that nobody makes
EARLY_RECORDS = 64  # their median is the wall clock's offset: one held-up reading does not move it
_SEVERITY: Mapping[Event, Severity] = {
    Event.OPENED: "note",
    Event.CLOSED: "note",
    Event.LOST: "serious",
    Event.CLOCK_STEP: "caution",
    Event.DROPPED: "serious",
}


@dataclass(frozen=True, slots=True, eq=False)
class PortOpening:
    """The bytes of one opening of a port."""

    stream: bytes
    chunk_end: NDArray[np.int64]  # (M,) byte offset just past each chunk
    arrival_ns: NDArray[np.int64]  # (M,) when the chunk's last byte was in hand [ns]


@dataclass(frozen=True, slots=True)
class Sleep:
    """A sleep of the computer, on the record's clock."""

    start_ns: int  # [ns]
    end_ns: int  # [ns]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DeviceStream:
    """Everything that the journals of one device hold, in the order of opening."""

    device: str
    openings: tuple[PortOpening, ...]
    joined: PortOpening  # all of them as one, ``SEPARATOR`` between them
    notes: tuple[NoteRecord, ...]
    torn_bytes: int  # after the last whole message of a journal
    sleeps: tuple[Sleep, ...] = ()
    wall_offsets: tuple[int, ...] = ()  # wall clock minus boot clock at each start of the computer, of all devices [ns]


def join_openings(openings: Sequence[PortOpening]) -> PortOpening:
    """Join all port openings to one, with ``SEPARATOR`` between them."""
    if not openings:  # not one of its journals can be read
        return PortOpening(b"", np.empty(0, np.int64), np.empty(0, np.int64))
    if len(openings) == 1:
        return openings[0]
    starts = np.cumsum([0, *(len(opening.stream) + len(SEPARATOR) for opening in openings[:-1])])
    return PortOpening(
        SEPARATOR.join(opening.stream for opening in openings),
        np.concatenate([opening.chunk_end + start for opening, start in zip(openings, starts, strict=True)]),
        np.concatenate([opening.arrival_ns for opening in openings]),
    )


def devices_in(folder: Path) -> tuple[str, ...]:
    """List the devices that have journals in a folder.

    Raises
    ------
    RecordError
        The folder cannot be read.
    """
    pattern = re.compile(rf"(.+)_\d{{3,}}{re.escape(SUFFIX)}")
    try:
        return tuple(sorted({match[1] for path in folder.iterdir() if (match := pattern.fullmatch(path.name))}))
    except OSError as error:
        raise RecordError(f"{folder}: cannot read the folder of the journals: {reason(error)}") from error


def read_tapes(folder: Path, *, is_recording: bool = False) -> dict[str, DeviceStream]:
    """Read every journal of a folder, by device.

    Parameters
    ----------
    folder : Path
        Of the journals.
    is_recording : bool
        A capture still writes there: that the newest journal of a device is not closed means nothing.

    Raises
    ------
    RecordError
        There is none, or not one can be read.

    Notes
    -----
    A journal that cannot be read beside others that can is told as a serious note, and so is one that is missing.
    """
    journals: dict[str, list[Journal]] = {}
    unreadable: dict[str, list[str]] = {}
    for device in devices_in(folder):
        journals[device] = []
        for path in journals_of(folder, device):
            try:
                journals[device].append(read_journal(path))
            except RecordError as error:
                unreadable.setdefault(device, []).append(str(error))
    if not any(journals.values()):
        lost = [text for texts in unreadable.values() for text in texts]
        raise RecordError(lost[0] if lost else f"{folder}: no journal; nothing was recorded here")
    offsets = _wall_offsets([journal for found in journals.values() for journal in found])
    return {
        device: _tape(
            device,
            found,
            offsets,
            [*_missing(folder, device), *map(_serious, unreadable.get(device, []))],
            is_recording=is_recording,
        )
        for device, found in journals.items()
    }


def _wall_offsets(journals: Sequence[Journal]) -> dict[str, int]:
    """Give wall clock minus boot clock for each start of the computer, early and before any step. [ns]."""
    offsets: dict[str, int] = {}
    for journal in sorted(journals, key=lambda j: int(j.wall_ns[0]) if j.wall_ns.size else 0):
        start = _computer_start(journal)
        if start in offsets or not journal.wall_ns.size:
            continue
        steps = np.flatnonzero(journal.events == Event.CLOCK_STEP)
        early = slice(0, max(1, min(EARLY_RECORDS, int(steps[0]) if steps.size else EARLY_RECORDS)))
        offsets[start] = int(np.median(journal.wall_ns[early] - journal.boottime_ns[early]))
    return offsets


def _computer_start(journal: Journal) -> str:
    return journal.meta.get("host_boot", "")


def _tape(
    device: str,
    journals: Sequence[Journal],
    offsets: Mapping[str, int],
    notes: list[NoteRecord],
    *,
    is_recording: bool,
) -> DeviceStream:
    openings: list[PortOpening] = []
    sleeps: list[Sleep] = []
    for journal in journals:
        arrival = journal.boottime_ns + offsets.get(_computer_start(journal), 0)
        data = journal.events == Event.DATA
        openings.append(PortOpening(journal.stream, journal.offsets[1:][data], arrival[data]))
        notes += _notes(journal, arrival, may_be_open=is_recording and journal is journals[-1])
        sleeps += _sleeps(journal, arrival)
    torn = sum(journal.torn_bytes for journal in journals)
    return DeviceStream(
        device=device,
        openings=tuple(openings),
        notes=tuple(notes),
        torn_bytes=torn,
        sleeps=tuple(sleeps),
        wall_offsets=tuple(dict.fromkeys(offsets.values())),
        joined=join_openings(openings),
    )


def _sleeps(journal: Journal, arrival: NDArray[np.int64]) -> Iterator[Sleep]:
    """Find sleeps: the boot clock counts on through them, the monotonic clock does not."""
    slept = np.diff(journal.boottime_ns) - np.diff(journal.arrival_ns)
    for record in np.flatnonzero(slept >= STEP_NS).tolist():
        end = int(arrival[record + 1])
        yield Sleep(end - int(slept[record]), end)


def _serious(text: str) -> NoteRecord:
    return NoteRecord(severity="serious", host_ns=None, text=text)


def _missing(folder: Path, device: str) -> list[NoteRecord]:
    """Say which journals are not there: every opening of the port made the next, and capture names its last."""
    present = {path.name for path in journals_of(folder, device)}
    numbers = [_number(name) for name in (*present, missing_journal(folder, device)) if name is not None]
    wanted = (journal_name(device, number) for number in range(1, max(numbers) + 1))
    missing = [name for name in wanted if name not in present]
    if len(missing) > NAMED_AT_MOST:
        text = f"{len(missing)} journals from {missing[0]} to {missing[-1]} are missing; take them from the second copy"
        return [_serious(text)]
    return [_serious(f"{name} is missing; take it from the second copy") for name in missing]


def _number(name: str) -> int:
    number = name.removesuffix(SUFFIX).rpartition("_")[2]
    return int(number) if number.isdecimal() and len(number) <= LONGEST_NUMBER else 0


def _notes(journal: Journal, arrival: NDArray[np.int64], *, may_be_open: bool) -> list[NoteRecord]:
    notes = []
    for record, words in journal.notes.items():
        event = Event(int(journal.events[record]))
        text = f"{event.label}: {words}" if words else event.label
        notes.append(NoteRecord(severity=_SEVERITY[event], host_ns=int(arrival[record]), text=text))
    name = journal.path.name
    for damage in journal.damage:
        at = int(arrival[damage.record]) if damage.record < arrival.size else None
        text = f"{name}: {damage.length} bytes of the journal are damaged; what they held is lost"
        notes.append(NoteRecord(severity="serious", host_ns=at, text=text))
    if not journal.closed and not may_be_open:
        end = int(arrival[-1]) if arrival.size else None
        text = f"{name}: not closed; recording ended abruptly and what came after the last write is lost"
        notes.append(NoteRecord(severity="serious", host_ns=end, text=text))
    return notes
