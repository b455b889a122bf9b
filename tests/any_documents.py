"""What must hold of the readers of typed and sealed files whatever is in them: TOML, CSV, manifest and other JSON.

As ``tests.any_bytes``: each function takes raw bytes, of which the first few choose how the rest is used. A broken
promise is an AssertionError, an unexpected exception passes through.
"""

import dataclasses
import hashlib
import json
import math
import tempfile
from pathlib import Path

import numpy as np
from pydantic import BaseModel

from standbook.cli.starter import write_campaign
from standbook.daq.capture.process_status import CaptureStatus, missing_journal, read_status
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.csv_mapping import CsvMapping
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.config.toml_document import parse_document
from standbook.daq.errors import ConfigError, RecordError, StandError
from standbook.daq.other_recorders import import_csv
from standbook.daq.other_recorders.csv_clock import file_clock
from standbook.daq.quantity import Quantity
from standbook.daq.run.additions import Weighings
from standbook.daq.run.marks import read_marks
from standbook.daq.run.record_summary import read_record
from standbook.daq.run.recording_end import END_FILE, recording_end_notes
from standbook.daq.storage.manifest import MANIFEST, _spelling, verify
from standbook.daq.wire.saved_layouts import read_layouts
from tests.any_bytes import SAVED
from tests.campaign_fixture import TODAY
from tests.repository import ROOT

_GONE = tempfile.TemporaryDirectory()
PLACE = Path(_GONE.name)
FOLDER = PLACE / "sealed"
FOLDER.mkdir()
(FOLDER / "a.txt").write_text("a")
(FOLDER / "b.txt").write_text("b")
TRUE = {name: hashlib.sha256((FOLDER / name).read_bytes()).hexdigest() for name in ("a.txt", "b.txt")}


# --- TOML ------------------------------------------------------------------------------------------------

MODELS = (Plan, Stand, Calibration, CsvMapping, Weighings)


def check_toml(data):
    """A typed file is refused in sentences that name it, or is one of finite quantities."""
    if len(data) < 1:
        return
    model = MODELS[data[0] % len(MODELS)]
    try:
        read = parse_document(data[1:].decode("utf-8", errors="replace"), model, "typed.toml")
    except ConfigError as refusal:
        problems = refusal.problems
        assert problems
        assert all(problem.startswith("typed.toml") for problem in problems)
        return
    assert all(math.isfinite(q.value) and math.isfinite(q.u) and q.u >= 0.0 for q in _quantities(read))


def _quantities(found):
    """Yield every quantity in a document."""
    if isinstance(found, Quantity):
        yield found
    elif isinstance(found, BaseModel):
        for name in type(found).model_fields:
            yield from _quantities(getattr(found, name))
    elif isinstance(found, tuple):
        for item in found:
            yield from _quantities(item)


# --- CSV -------------------------------------------------------------------------------------------------

_HEAD = 'start = 2031-06-14T09:58:00Z\nclock = "t"\n[columns]\n"P" = "PT-11 bar(g)"\n'
MAPPINGS = tuple(
    parse_document(more + _HEAD, CsvMapping, "map.toml")
    for more in (
        'clock_unit = "s"\n',
        'clock_unit = "us"\nclock_modulus = 65536\n',
        'clock_unit = "ms"\nseparator = ";"\ndecimal = ","\nt_zero = "F rising 0.5"\n',
        'clock_unit = "s"\nskip_lines = 1\nt_zero = "1.0 +/- 0.1 s"\n',
    )
)
CSV = PLACE / "any.csv"


def check_csv(data):
    """A table is refused in a sentence, or gives every row once, in order, with the values printed in it."""
    if len(data) < 1:
        return
    mapping = MAPPINGS[data[0] % len(MAPPINGS)]
    CSV.write_bytes(data[1:])
    try:
        table = import_csv.read_csv(CSV, mapping)
        clock = file_clock(table.columns[mapping.clock], table.line, mapping, CSV)
        device = import_csv._device(table, clock, mapping)
        import_csv._t_zero(table, clock.ticks, device, mapping, CSV)
    except StandError as refusal:
        sentence = str(refusal)
        assert sentence
        return
    (stream,) = device.streams
    (rows,) = stream.segments
    assert rows.sequence.size == table.line.size
    assert (np.diff(rows.sequence) > 0).all()
    assert (np.diff(rows.ticks) >= 0).all()
    assert all(hole.rows > 0 for hole in rows.holes)
    printed, (channel,) = table.columns["P"], stream.channels
    greatest = float(np.abs(printed).max())
    assert np.abs(rows.counts[:, 0] * channel.resolution - printed).max() <= 1e-9 * greatest


# --- manifest and other JSON -----------------------------------------------------------------------------


def check_manifest(data):
    """A manifest that is not true of its folder is refused; other JSON of a run is refused or read, never a crash."""
    if len(data) < 1:
        return
    JSON_CHECKS[data[0] % len(JSON_CHECKS)](data[1:])


def _as_it_is(data):
    (FOLDER / MANIFEST).write_bytes(data)
    try:
        manifest = verify(FOLDER)
    except RecordError as refusal:
        sentence = str(refusal)
        assert "\n" not in sentence
        return
    assert dict(manifest.files) == TRUE
    assert not manifest.parents


def _hashed(data):
    """Write the right hash of a changed value, so that what is read after the hash is searched too."""
    try:
        told = json.loads(data)
        _as_it_is(_spelling({key: told[key] for key in ("format", "files", "parents")}))
    except (ValueError, KeyError, TypeError, RecursionError):
        _as_it_is(data)


def _record(data):
    try:
        again = read_record(text := data.decode("utf-8", errors="replace"), "record.json")
    except RecordError:
        return
    assert again == read_record(again.text(), "record.json"), text
    assert all(isinstance(sentence, str) for sentence in again.sentences())


def _marks(data):
    path = PLACE / "marks.jsonl"
    path.write_bytes(data)
    for mark in read_marks(path):
        assert all(isinstance(n, int) for n in (mark.number, mark.monotonic_ns, mark.boottime_ns, mark.wall_ns))
        assert all(-(2**63) <= n < 2**63 for n in (mark.monotonic_ns, mark.boottime_ns, mark.wall_ns))


def _end(data):
    (PLACE / END_FILE).write_bytes(data)
    (note,) = recording_end_notes(PLACE)
    assert note.text


def _status(data):
    (PLACE / "cradle-a_capture.json").write_bytes(data)
    status = read_status(PLACE / "cradle-a_capture.json")
    missing_journal(PLACE, "cradle-a")
    if status is not None:
        assert all(isinstance(getattr(status, field.name), field.type) for field in dataclasses.fields(CaptureStatus))


def _layouts(data):
    try:
        assert read_layouts(data, "cradle-a.json", "cradle-a")
    except ConfigError as refusal:
        sentence = str(refusal)
        assert sentence.startswith("cradle-a.json")


JSON_CHECKS = (_as_it_is, _hashed, _record, _marks, _end, _status, _layouts)


# --- where a search starts -------------------------------------------------------------------------------


def document_seeds():
    """Give for each reader a few valid inputs."""
    campaign = write_campaign(PLACE, today=TODAY)
    typed = [campaign / "plans/WF-03.toml", campaign / "stand.toml", campaign / "calibrations/PT-11_r02.toml"]
    mapping = _HEAD.replace("[columns]", 'clock_unit = "s"\nt_zero = "F rising 0.5"\n[columns]')
    weighings = 'by = "DAQ"\n[[weighing]]\ntank = "oxidiser"\nresidual = "0.42 +/- 0.02 kg"\n'
    texts = [*(path.read_bytes() for path in typed), mapping.encode(), weighings.encode()]
    table = "".join(f"{k / 100:.2f},{9 - k / 1000:.3f},{int(k > 9)}\n" for k in range(24))
    other = table.replace(",", ";").replace(".", ",")
    ticks = "".join(f"{(65000 + 100 * k) % 65536},{9 - k / 1000:.3f},x\n" for k in range(24))
    header = "t,P,F\n"
    tables = [header + table, header + ticks, header.replace(",", ";") + other, "logger\n" + header + table]
    record = (next((ROOT / "sample_runs/teasel-2/runs").glob("*WF-03*")) / "record.json").read_bytes()
    mark = {"n": 1, "text": "full", "key": "P", "by": "x", "monotonic_ns": 5, "boottime_ns": 6, "wall_ns": 7}
    status = CaptureStatus(device="cradle-a", pid=7, port="/dev/ttyACM0", journal="cradle-a_001.arrows")
    layouts = {"format": 1, "device": "cradle-a", "hellos": [json.loads(one.to_json()) for one in SAVED]}
    true = {"format": 1, "files": TRUE, "parents": {}}
    contents = [
        _spelling(true),
        json.dumps(true).encode(),
        record,
        (json.dumps(mark) + '\n{"n": 2, "strikes": 1, "by": "x"}\n').encode(),
        b'{"reason": "somebody said stop", "is_early": false}',
        json.dumps(dataclasses.asdict(status)).encode(),
        json.dumps(layouts).encode(),
    ]
    return {
        "toml": [bytes([kind]) + text for kind, text in enumerate(texts)],
        "csv": [bytes([kind]) + text.encode() for kind, text in enumerate(tables)],
        "manifest": [bytes([kind]) + text for kind, text in enumerate(contents)],
    }


DOCUMENT_CHECKS = {"toml": check_toml, "csv": check_csv, "manifest": check_manifest}
