"""Fill gaps of a sealed run from a second recorder's copy of the same stream, as an addition.

From a card file to ``fill.json``, samples files that hold the filled rows alone, and the card file beside them. Which
rows are believed is ``daq.other_recorders.row_matching``; how they are read beside the record is
``daq.run.merged_rows``. Nothing sealed is touched.
"""

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from standbook.daq.errors import ConfigError, DataError
from standbook.daq.journal.reader import JournalFollower
from standbook.daq.journal.record_format import Event
from standbook.daq.journal.writer import journals_of
from standbook.daq.other_recorders.row_matching import Relation, StreamKey, StreamMatch, matched
from standbook.daq.other_recorders.second_recorder import Card, read_card
from standbook.daq.recovery.decode_wire import Channel
from standbook.daq.run.additions import FILL_FILE, WEIGHINGS_FILE, write_addition
from standbook.daq.run.merged_rows import Fill, filled_path
from standbook.daq.run.record_summary import TZeroRecord
from standbook.daq.run.run_folder import RAW, Run, RunFiles, StreamData, open_run, read_run_files, samples_path
from standbook.daq.run.samples_file import Piece, read_header, write_samples
from standbook.daq.sealing.calibrated_columns import (
    Supply,
    needed_supplies,
    readings_of,
    supply_of,
    tagged_columns,
    with_supply,
)
from standbook.daq.storage.manifest import MANIFEST, sha256_of
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.saved_layouts import load_layouts


@dataclass(frozen=True, slots=True)
class Filling:
    """Rows that one card filled, and rows still missing after it."""

    place: Path | None  # the addition; ``None``: there was nothing to fill
    fill: Fill
    missing: Mapping[str, tuple[int, int]]  # by device/stream with gaps left: rows known to be missing, gaps

    def to_json(self) -> dict[str, Any]:
        """Return the result as plain data."""
        missing = {key: {"rows": rows, "gaps": gaps} for key, (rows, gaps) in self.missing.items()}
        return {
            "addition": None if self.place is None else str(self.place),
            "fill": self.fill.model_dump(mode="json"),
            "missing": missing,
        }

    def sentences(self) -> tuple[str, ...]:
        """Describe the result, one line a fact."""
        lines = []
        for name, part in self.fill.streams.items():
            where = f" in {len(part.runs)} places" if len(part.runs) > 1 else ""
            lines.append(
                f"{self.fill.device}/{name}: {part.rows} rows filled{where} from {self.fill.source}; "
                f"{part.overlap_rows} overlapping rows agreed"
            )
        if self.fill.t_zero is not None:
            lines.append(f"T-0: {self.fill.t_zero.source}; the record had lost it")
        lines += self.fill.remarks
        for key, (rows, gaps) in self.missing.items():
            lines.append(f"{key}: still missing: {rows} rows known, {gaps} gap{'s' if gaps > 1 else ''}")
        if not self.missing:
            lines.append("nothing that the record counts is missing any more" if self.place else "nothing is missing")
        return tuple(lines)


def fill(folder: Path, card_path: Path, *, device: str | None = None, software: str) -> Filling:
    """Fill the gaps of a sealed run from a card file, as the run's next addition.

    Parameters
    ----------
    folder : Path
        A sealed run.
    card_path : Path
        Bytes of wire format 1 as a second recorder kept them, or a journal.
    device : str, optional
        Which device of the run it is a copy of; found by hello without.
    software : str
        Name and version, kept in the addition.

    Raises
    ------
    ConfigError
        No such file, no such device, or a file name that an addition cannot keep.
    RecordError
        The run is not sealed or damaged, or the disk refuses.
    DataError
        The card is of another device, stream, layout or run: names the first thing that does not agree.
    """
    if card_path.name in (MANIFEST, FILL_FILE, WEIGHINGS_FILE) or card_path.name.startswith("."):
        raise ConfigError(f"{card_path}: an addition keeps the file under its name; rename it, card.bin for example")
    run, files = open_run(folder), read_run_files(folder)
    known = _hellos(run, device)
    told = [hello for hellos in known.values() for hello in hellos]
    card = read_card(card_path, told, [hello for name in known for hello in load_layouts(folder, name)])
    name = _device(run, card, known, device)
    data = {key: run.stream(*key) for key in run.streams()}
    matches = matched(run, card, name, data)
    taken = {stream: part for stream, part in matches.streams.items() if part.new}
    result = Fill(
        device=name,
        source=card_path.name,
        sha256=sha256_of(card_path),
        streams={stream: part.told() for stream, part in taken.items()},
        t_zero=_t_zero(run, card, name, matches.relations),
        remarks=matches.remarks,
        by=software,
    )
    if not taken and result.t_zero is None:
        return Filling(None, result, _missing(data))

    def build(beside: Path) -> None:
        supplies = _supplies(run, files, data, name, taken)
        for stream, part in taken.items():
            header = read_header(samples_path(folder, name, stream))
            path = filled_path(beside, name, stream)
            write_samples(path, header, _pieces(run, files, name, stream, part, supplies))
        shutil.copyfile(card_path, beside / card_path.name)
        (beside / FILL_FILE).write_text(result.model_dump_json(indent=1) + "\n", "utf-8")

    place = write_addition(folder, build)
    after = open_run(folder, verify=False)
    return Filling(place, result, _missing({key: after.stream(*key) for key in after.streams()}))


def _missing(data: Mapping[StreamKey, StreamData]) -> dict[str, tuple[int, int]]:
    return {
        f"{device}/{name}": (sum(gap.rows or 0 for gap in stream.gaps), len(stream.gaps))
        for (device, name), stream in data.items()
        if stream.gaps
    }


# --- which device ----------------------------------------------------------------------------------------


def _hellos(run: Run, device: str | None) -> dict[str, list[Hello]]:
    """Read what the devices of the record said of themselves, from the beginning of each journal."""
    if run.info.source != "recorded":
        raise DataError(f"{run.folder}: an imported run has no frames; only recorded runs can be filled from a card")
    if device is not None and device not in run.record.devices:
        raise ConfigError(f"{run.folder}: no device {device}; the run has {', '.join(run.record.devices)}")
    wired = [
        item.name
        for item in run.stand.device
        if item.text_lines is None and item.name in run.record.devices and device in (None, item.name)
    ]
    if not wired:
        raise DataError(f"{run.folder}: {device or 'its device'} prints text lines; only wire format 1 can be filled")
    found: dict[str, list[Hello]] = {}
    for name in wired:
        found[name] = []
        for path in journals_of(run.folder / RAW, name):
            rows = JournalFollower(path).poll()
            piece = Decoder().feed(b"".join(row.data for row in rows if row.event is Event.DATA))
            found[name] += [hello for hello, _ in piece.hellos]
    return found


def _device(run: Run, card: Card, known: Mapping[str, Sequence[Hello]], device: str | None) -> str:
    """Find the device of the run that the card is of."""
    if not card.devices and device is None:
        raise DataError(f"{card.path}: no hello in it, so it is not known whose it is; name its device with --device")
    if len(card.devices) > 1:
        names = ", ".join(_called(*one) for one in card.devices)
        raise DataError(f"{card.path}: holds frames of several devices ({names}); give a file of one")
    if not card.devices and device is not None:
        return device
    (told,) = card.devices
    in_record = {name: {(h.device, h.serial) for h in hellos} for name, hellos in known.items()}
    fitting = [n for n, said in in_record.items() if told in said or (not said and n in (told[0], device))]
    if not fitting:
        ours = ", ".join(_called(*one) for said in in_record.values() for one in sorted(said)) or ", ".join(known)
        raise DataError(f"{card.path}: is of {_called(*told)}; the run has recorded {ours}")
    if len(fitting) > 1:
        raise DataError(f"{card.path}: fits {' and '.join(fitting)}; name its device with --device")
    return fitting[0]


def _called(device: str, serial: str) -> str:
    return f"{device} (serial {serial})"


# --- what the rows say -----------------------------------------------------------------------------------


def _channels(run: Run, device: str, stream: str) -> list[Channel]:
    known = run.record.devices[device].streams[stream].channels
    return [
        Channel(wire=c.wire, type=c.type, minimum=c.minimum, maximum=c.maximum, resolution=c.resolution) for c in known
    ]


def _supplies(
    run: Run, files: RunFiles, data: Mapping[StreamKey, StreamData], device: str, taken: Mapping[str, StreamMatch]
) -> dict[str, Supply]:
    """Read the supplies that inputs are scaled by, recorded and filled rows together."""
    needed = needed_supplies(files.stand)
    found = {}
    for (owner, name), stream in data.items():
        part = taken.get(name) if owner == device else None
        told = part.told_name if part else name
        for one in tagged_columns(_channels(run, owner, name), owner, told, files):
            if one.item.tag in needed:
                new = part.new if part else []
                host = np.concatenate([stream.host_ns, *(rows.host_ns for rows in new)])
                counts = np.concatenate([stream.counts[one.item.tag], *(rows.counts[:, one.place] for rows in new)])
                order = np.argsort(host, kind="stable")
                found[one.item.tag] = supply_of(replace(one, place=0), [counts[order, None]], host[order])
    return found


def _pieces(
    run: Run, files: RunFiles, device: str, stream: str, part: StreamMatch, supplies: Mapping[str, Supply]
) -> Iterator[Piece]:
    tagged = with_supply(tagged_columns(_channels(run, device, stream), device, part.told_name, files), supplies)
    for rows in part.new:
        for place in rows.runs():
            host, counts = rows.host_ns[place], rows.counts[place]
            readings = readings_of(tagged, counts, host, supplies)
            yield Piece(
                sequence=rows.sequence[place],
                boot=rows.boot,
                ticks=rows.ticks[place],
                host_ns=host,
                counts=counts,
                readings=readings,
            )


def _t_zero(run: Run, card: Card, device: str, relations: Mapping[int, Relation]) -> TZeroRecord | None:
    """Take T-0 from the card where the record has none: the first such edge between recorded rows of a start."""
    edge = run.plan.test.t_zero_edge
    if run.record.t_zero is not None or edge is None or edge.device != device:
        return None
    found = []
    for boot, line, seen in card.edges:
        relation = relations.get(boot)
        if relation is None or line != edge.line or seen.level != int(edge.rising):
            continue
        ticks = seen.ticks - relation.shift
        if relation.ticks[0] <= ticks <= relation.ticks[-1]:
            found.append(int(relation.at(np.array([ticks], np.int64))[0]))
    if not found:
        return None
    hertz = next(s.tick_hz for s in run.record.devices[device].streams.values())
    told = f"{device} {edge.line} {'rising' if edge.rising else 'falling'}, from the card copy {card.path.name}"
    # One tick, a rectangular distribution, as for an edge that was recorded.
    return TZeroRecord(host_ns=min(found), source=told, u_s=1.0 / hertz / 12.0**0.5, device=device)
