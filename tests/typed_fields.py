"""Every field that a crew types into a file, and files in which one or many of them hold something else."""

import datetime as dt
import itertools
import json
import tomllib
from types import UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from standbook.analysis.calibration.readings_sheet import ReadingsSheet
from standbook.analysis.redaction.private_file import PrivateFile
from standbook.analysis.stand_sheets.pull_sheet import PullSheet
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.csv_mapping import CsvMapping
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.config.toml_document import Document
from standbook.daq.run.additions import Weighings
from standbook.daq.stand_sheets.proof_file import ProofFile
from standbook.daq.stand_sheets.waiver_file import WaiverFile
from tests.pull_sheets import pull_sheet
from tests.readings_sheets import pressure_sheet

FILES = {
    "plan": Plan,
    "stand": Stand,
    "calibration": Calibration,
    "weighings": Weighings,
    "mapping": CsvMapping,
    "sheet": ReadingsSheet,
    "pull": PullSheet,
    "waivers": WaiverFile,
    "proof": ProofFile,
    "private": PrivateFile,
}
TYPED = {  # where a file of the starter campaign has no such table
    "stand": '[device.text_lines]\ncolumns = ["a"]\n',
    "weighings": 'by = "DAQ"\n[[weighing]]\ntank = "oxidiser"\nresidual = "0.2 +/- 0.02 kg"\n'
    '[[check_weight]]\nhung = "before"\nmass = "50.02 +/- 0.02 kg"\nreading = "490.6 +/- 0.5 N"\n',
    "mapping": 'start = 2026-06-14T09:58:00Z\nclock = "t"\nclock_unit = "us"\nt_zero = "FIRE rising 0.5"\n'
    '[columns]\n"P_ox" = "PT-11 bar(g)"\n',
    "sheet": pressure_sheet(runs=1),
    "pull": pull_sheet(),
    "waivers": 'plan = "WF-03"\n[[waiver]]\nfact = "disk"\nruins = "all"\nrole = "TC"\nreason = "none"\n'
    "at = 2031-06-14T09:20:00Z\n",
    "private": 'names = ["A. Example"]\nplaces = ["Quarry Road"]\ncoordinates = ["52.2053, 0.1218"]\n'
    'words = ["club"]\n',
    "proof": 'tank = "oxidiser"\ndate = 2025-05-20\nrole = "inspector"\ncode = "the code"\nliquid = "water"\n'
    'pressure = "46.5 +/- 0.5 bar(g)"\nheld = "15 min"\ngauge = "G-17"\nresult = "held"\nrecord = "binder 3"\n',
}


def fields_of(model, *before):
    """Give the path of every key of a file that holds no table of its own; of a list of tables, of the first."""
    for own, field in model.model_fields.items():
        name = field.alias or own
        inside, is_list = _table_in(field.annotation)
        if inside is None:
            yield (*before, name)
        else:
            yield from fields_of(inside, *before, name, *([0] if is_list else []))


def _table_in(annotation: Any) -> tuple[type[Document] | None, bool]:
    """Find the table that a key holds, and whether it is a list of them."""
    if isinstance(annotation, type) and issubclass(annotation, Document):
        return annotation, False
    origin = get_origin(annotation)
    if origin in (Union, UnionType, Annotated, tuple):
        for part in get_args(annotation):
            inside, is_list = _table_in(part)
            if inside is not None:
                return inside, is_list or origin is tuple
    return None, False


ALL = [(file, path) for file, model in FILES.items() for path in fields_of(model)]


def name_of(file, path):
    """Write a field as people say it: ``plan test.article``."""
    return f"{file} {'.'.join(str(part) for part in path if part != 0)}"


def value_at(values, path):
    """Return what a file holds under a path; None where nothing."""
    for part in path:
        try:
            values = values[part]
        except (KeyError, IndexError):
            return None
    return values


def typed_into(values, path, text):
    """Put a text where a value stands: behind the text that is there, else in its place."""
    place = values
    for part, following in itertools.pairwise(path):
        if isinstance(part, int):
            place = place[part]
        else:
            place = place.setdefault(part, [{}] if isinstance(following, int) else {})
    old = place.get(path[-1])
    place[path[-1]] = f"{old}{text}" if isinstance(old, str) else [f"{text}"] if isinstance(old, list) else text


def parsed(text):
    """Read a file as plain values."""
    return tomllib.loads(text)


def written(values):
    """Write plain values as TOML, whatever characters they hold."""
    lines = [f"{_text(key)} = {_value(value)}" for key, value in values.items() if not _is_table(value)]
    for key, value in values.items():
        if _is_table(value):
            lines += _tables(_text(key), value)
    return "\n".join(lines) + "\n"


def _is_table(value):
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def _tables(name, value):
    for table in value if isinstance(value, list) else [value]:
        yield f"[[{name}]]" if isinstance(value, list) else f"[{name}]"
        inner = {key: one for key, one in table.items() if _is_table(one)}
        yield from (f"{_text(key)} = {_value(one)}" for key, one in table.items() if key not in inner)
        for key, one in inner.items():
            yield from _tables(f"{name}.{_text(key)}", one)


def _text(text):
    return json.dumps(text).replace("\x7f", "\\u007f")


def _value(value):
    match value:
        case bool():
            return str(value).lower()
        case str():
            return _text(value)
        case list():
            return f"[{', '.join(map(_value, value))}]"
        case dt.date() | dt.datetime():
            return value.isoformat()
    return repr(value)
