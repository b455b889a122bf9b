"""Cases of the battery about files: a record tampered with, typed files with faults, tables of other loggers."""

import os
import random
import re
import shutil
from collections.abc import Callable, Iterator
from functools import cache, partial
from pathlib import Path
from tempfile import TemporaryDirectory, mkdtemp

from standbook.daq.run.additions import add
from standbook.daq.run.revision import write_revision
from standbook.daq.run.run_folder import seal_run
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import MANIFEST
from tests.cli.made_run import small_campaign
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts
from tests.studies.battery import Case, contents, fault, told

SPARSE = 2 << 30  # bytes
_GONE = TemporaryDirectory(prefix="battery-")  # when this process ends
INTO = "again"
Tamper = Callable[[Path], None]


def cases() -> Iterator[Case]:
    """Yield the cases of these families."""
    yield from _tampered()
    yield from _tampered_before_sealing()
    yield from _sealed_again()
    yield from _typed()
    yield from _imported()


# --- a record tampered with ------------------------------------------------------------------------------


@cache
def _made() -> Path:
    """Make a small run with what a run can have, once; cases work on copies."""
    folder = Path(mkdtemp(dir=_GONE.name))
    run = new_run(folder)
    Player(run, fast_hello()).play(plausible_counts(300), edges=[(100_000, 1)]).write()
    (run / "raw/cradle-a_capture.json").write_text('{"device": "cradle-a", "pid": 1, "port": "p", "exit_code": 0}')
    (run / "raw/recording_end.json").write_text('{"reason": "somebody said stop", "is_early": false}')
    mark = '{"n": 1, "text": "full", "monotonic_ns": 5, "boottime_ns": 6, "wall_ns": 1900000000000000000}\n'
    (run / "marks.jsonl").write_text(mark)
    return run


@cache
def _sealed() -> Path:
    run = Path(mkdtemp(dir=_GONE.name)) / "run"
    shutil.copytree(_made(), run)
    seal(run)
    note = run.parent / "note.txt"
    note.write_text("residue drained at 11:20")
    add(run, [note])
    write_revision(run, "A", lambda place: (place / "results.json").write_text('{"a": 1}'))
    add(run, [note])
    return run


def _files(run: Path) -> list[str]:
    return sorted(str(path.relative_to(run)) for path in run.rglob("*") if path.is_file())


def _changed(change: Callable[[bytes], bytes], path: Path) -> None:
    path.write_bytes(change(path.read_bytes()))


def _flipped(data: bytes) -> bytes:
    place = random.Random(len(data)).randrange(len(data))
    return data[:place] + bytes([data[place] ^ 16]) + data[place + 1 :]


def _instead(make: Tamper, path: Path) -> None:
    path.unlink()
    make(path)


def _sparse(path: Path) -> None:
    path.unlink()
    path.touch()
    os.truncate(path, SPARSE)


def _grown(path: Path) -> None:
    os.truncate(path, SPARSE)


TAMPERINGS: dict[str, Tamper] = {
    "gone": Path.unlink,
    "empty": lambda path: path.write_bytes(b"") and None,
    "cut": partial(_changed, lambda data: data[: len(data) // 2]),
    "one bit": partial(_changed, _flipped),
    "one byte more": partial(_changed, lambda data: data + b"\n"),
    "zeros": partial(_changed, lambda data: bytes(len(data))),
    "rubbish": partial(_changed, lambda data: random.Random(7).randbytes(len(data))),
    "brackets": partial(_changed, lambda data: b"[" * 5000),
    "another's": partial(_changed, lambda data: b'{"format": 1, "files": {}}'),
    "a folder": partial(_instead, Path.mkdir),
    "a pipe": partial(_instead, os.mkfifo),
    "a link to itself": partial(_instead, lambda path: path.symlink_to(path.name)),
    "a link to nowhere": partial(_instead, lambda path: path.symlink_to("nowhere")),
}


def _tampered() -> Iterator[Case]:
    for name in _files(_sealed()):
        for way, tamper in TAMPERINGS.items():
            yield Case("tampering", f"{name} {way}, verify", partial(_verify, name, tamper))
        for way in ("gone", "cut", "rubbish", "a pipe", "a link to itself"):
            yield Case("tampering", f"{name} {way}, analyse", partial(_analyse, name, TAMPERINGS[way]))
            yield Case("tampering", f"{name} {way}, recover", partial(_rebuild, name, TAMPERINGS[way]))
    for name in ("raw/cradle-a_001.arrows", "samples/cradle-a_fast.parquet", "record.json", "plan.toml", MANIFEST):
        for way, tamper in {"2 GB of nothing": _sparse, "2 GB more": _grown}.items():
            yield Case("tampering", f"{name} {way}, verify", partial(_verify, name, tamper))
            yield Case("tampering", f"{name} {way}, recover", partial(_rebuild, name, tamper))


def _copy(made: Path, folder: Path) -> Path:
    shutil.copytree(made, folder / "run")
    return folder / "run"


def _untouched(run: Path, before: dict[str, bytes | None]) -> str:
    now = contents(run)
    differ = sorted(name for name in now.keys() | before.keys() if now.get(name, b"-") != before.get(name, b"-"))
    return f"written: {differ}" if differ else ""


def _verify(name: str, tamper: Tamper, folder: Path) -> str:
    run = _copy(_sealed(), folder)
    tamper(run / name)
    before = contents(run)
    return fault(told("verify", run), {6} if name != MANIFEST else {6, 10}) or _untouched(run, before)


def _analyse(name: str, tamper: Tamper, folder: Path) -> str:
    run = _copy(_sealed(), folder)
    tamper(run / name)
    before = contents(run)
    said = told("analyse", run)
    if name.startswith("analysis/") and said.code not in (3, 6):  # an older revision is not what is analysed
        return fault(said, {0, 7, 10})
    return fault(said, {3, 6}) or _untouched(run, before)


def _rebuild(name: str, tamper: Tamper, folder: Path) -> str:
    run = _copy(_sealed(), folder)
    tamper(run / name)
    before = contents(run)
    said = told("recover", run, "--into", folder / INTO)
    if said.code in (0, 10):
        return _untouched(run, before) or fault(told("verify", folder / INTO), {said.code})
    torn = "half a run is left" if (folder / INTO).exists() else ""
    return fault(said, {3, 6}) or torn or _untouched(run, before)


def _tampered_before_sealing() -> Iterator[Case]:
    ways = TAMPERINGS | {"2 GB of nothing": _sparse, "2 GB more": _grown}
    for name in _files(_made()):
        for way, tamper in ways.items():
            yield Case("tampering", f"{name} {way}, not sealed", partial(_recover, name, tamper))


def _recover(name: str, tamper: Tamper, folder: Path) -> str:
    run = _copy(_made(), folder)
    tamper(run / name)
    before = contents(run)
    first = told("verify", run)
    wrong = fault(first, {3, 6, 10}) or _untouched(run, before)
    if wrong:
        return f"verify: {wrong}"
    said = told("recover", run, "--no-analysis")
    if said.code in (0, 10):
        return fault(told("verify", run), {said.code})
    torn = "sealed although refused" if (run / MANIFEST).exists() else ""
    return fault(said, {3, 6}) or torn


# --- changed on purpose, its hashes right ----------------------------------------------------------------

NONSENSE = {
    "empty": b"",
    "null": b"null",
    "a list": b"[1, 2]",
    "an object": b"{}",
    "brackets": b"[" * 5000,
    "no text": b"\xff\xfe\x80",
    "a long number": b'{"format": ' + b"9" * 5000 + b"}",
    "not a number": b'{"format": NaN}',
    "controls": b'{"\x1b[2J": "\x07"}',
}


def _sealed_again() -> Iterator[Case]:
    for name in _files(_sealed()):
        if name.startswith(("additions", "analysis")) or name == MANIFEST:
            continue
        for way, content in NONSENSE.items():
            yield Case("tampering", f"{name} {way}, sealed again", partial(_resealed, name, content))


def _resealed(name: str, content: bytes, folder: Path) -> str:
    run = _copy(_sealed(), folder)
    (run / name).write_bytes(content)
    (run / MANIFEST).unlink()
    for aside in ("additions", "analysis"):
        shutil.rmtree(run / aside)
    seal_run(run)
    asked = [("verify", run), ("analyse", run), ("recover", run, "--into", folder / INTO), ("report", run)]
    for arguments in asked:
        wrong = fault(told(*arguments), {0, 3, 6, 7, 10})
        if wrong:
            return f"{arguments[0]}: {wrong}"
    return ""


# --- typed files -----------------------------------------------------------------------------------------

VALUES = {
    "nan": "nan",
    "inf": "-inf",
    "minus one": "-1",
    "nothing": '""',
    "true": "true",
    "a list": "[]",
    "a table": "{}",
    "a date": "1900-01-01",
    "a word": '"\\u001b[2Jx"',
    "too great": '"1e400 +/- 1 bar(g)"',
    "a long number": "9" * 5000,
    "blanks": f'"{" " * 4000}"',
}
TYPED = ("plans/HF-02.toml", "stand.toml", "calibrations/LC-1_r04.toml")


@cache
def _campaign() -> Path:
    return small_campaign(Path(mkdtemp(dir=_GONE.name)))


def _typed() -> Iterator[Case]:
    for name in TYPED:
        lines = (_campaign() / name).read_text(encoding="utf-8").splitlines()
        for number, line in enumerate(lines):
            key = re.match(r"(\w+) *= *(?!\[$)", line)
            if key is None or line.count("[") > line.count("]"):
                continue
            for way, value in VALUES.items():
                case = partial(_mistyped, name, number, f"{key[1]} = {value}")
                yield Case("typed", f"{name}:{number + 1} {key[1]} = {way}", case)


def _mistyped(name: str, number: int, line: str, folder: Path) -> str:
    campaign = folder / "teasel-2"
    shutil.copytree(_campaign(), campaign)
    path = campaign / name
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[number] = line
    path.write_text("\n".join(lines), encoding="utf-8")
    before = contents(campaign)
    # The campaign is read first; a file that it accepts leads to the table, which is not there.
    said = told("import", folder / "absent.csv", folder / "absent.toml", campaign / "plans/HF-02.toml")
    return fault(said, {3}) or _untouched(campaign, before)


# --- tables of other loggers -----------------------------------------------------------------------------

ROWS = [f"{k / 100:.2f},{9.0 - k / 1000:.3f},{int(k > 99)}" for k in range(300)]
TABLE = "\n".join(["t,P,F", *ROWS]) + "\n"
MAPPING = """separator = ","
decimal = "."
skip_lines = 0
start = 2026-01-05T10:00:00Z
clock = "t"
clock_unit = "s"
t_zero = "F rising 0.5"
[columns]
"P" = "PT-11 bar(g)"
"""
CELLS = [
    "",
    " ",
    "nan",
    "inf",
    "-inf",
    "1e999",
    "1_0",
    "1,5",
    "0x10",
    "--",
    "OL",
    "9" * 400,
    "1e-320",
    "\x00",
    "\u0663",
]
CELLS += ['"', "=1+1", "12:00:03", "2026-01-05", "\x1b[2J", "1.5 bar", "#REF!", "+", "."]
WHOLES: dict[str, bytes] = {
    "empty": b"",
    "one line": b"t,P,F\n",
    "one row": b"t,P,F\n0,1,0\n",
    "no header": TABLE.partition("\n")[2].encode(),
    "units below": TABLE.replace("\n", "\ns,bar,1\n", 1).encode(),
    "BOM": b"\xef\xbb\xbf" + TABLE.encode(),
    "UTF-16": TABLE.encode("utf-16"),
    "UTF-16 unmarked": TABLE.encode("utf-16-le"),
    "UTF-16 cut": TABLE.encode("utf-16")[:-1],
    "cp1252": TABLE.replace("P", "P\u00b0").encode("cp1252"),
    "returns only": TABLE.replace("\n", "\r").encode(),
    "returns too": TABLE.replace("\n", "\r\n").encode(),
    "zeros": bytes(5000),
    "rubbish": random.Random(3).randbytes(5000),
    "semicolons": TABLE.replace(",", ";").encode(),
    "a quote never closed": TABLE.replace("0.50,", '0.50,"', 1).encode(),
    "a cell of 200 kB": TABLE.replace("0.50,", "0.50," + "1" * 200_000, 1).encode(),
    "a thousand columns": ("t,P,F" + ",x" * 1000 + "\n" + "0,1,2" + ",0" * 1000 + "\n").encode(),
    "torn": TABLE[:-7].encode(),
    "rows twice": ("t,P,F\n" + "".join(f"{row}\n{row}\n" for row in ROWS)).encode(),
    "backwards": ("t,P,F\n" + "\n".join(reversed(ROWS))).encode(),
    "a leap of years": TABLE.replace("2.00,", "99999999.00,", 1).encode(),
    "a leap in the last row": TABLE.replace("2.99,", "1e18,", 1).encode(),
    "a clock that stands": re.sub(r"(?m)^\d.\d\d,", "1.00,", TABLE).encode(),
    "fine clock": re.sub(r"(?m)^(\d).(\d\d),", r"0.\1\g<2>4567890123457,", TABLE).encode(),
    "minus clock": re.sub(r"(?m)^(\d)", r"-\1", TABLE).encode(),
    "columns twice": TABLE.replace("t,P,F", "t,P,P").encode(),
    "lines of blanks": TABLE.replace("\n", "\n , , \n").encode(),
}
SETTINGS = {
    "separator": ['""', '"."', '"ab"', '"\\n"', '"\\u0000"', '"\\""', '"t"'],
    "decimal": ['"x"', '","', "5"],
    "skip_lines": ["-1", "1", "299", "300", "10000000000", "1.5"],
    "start": ['"now"', "2999-01-01T00:00:00Z", "2026-01-05T10:00:00", "0001-01-01T00:00:00Z", "10:00:00", "1.0"],
    "clock": ['""', '"T"', '"P"', '"F"', '"\\u001b[2J"'],
    "clock_unit": ['"us"', '"h"', '"days"', "1"],
    "t_zero": ['"P rising 0.5"', '"X rising 1"', '"9 s"', '"99 +/- 1 s"', '"F rising 1.2.3"', '"F falling 0.5"', '""'],
}


def _imported() -> Iterator[Case]:
    for cell in CELLS:
        for column, (old, new) in {"clock": ("\n1.50,", "\n{},"), "value": ("\n1.50,8.850", "\n1.50,{}")}.items():
            content = TABLE.replace(old, new.format(cell), 1).encode()
            yield Case("import", f"{cell[:20]!r} as {column}", partial(_import, content, MAPPING))
        header = TABLE.replace("t,P,F", f"t,P,{cell}", 1).encode()
        yield Case("import", f"{cell[:20]!r} as name", partial(_import, header, MAPPING))
    for way, content in WHOLES.items():
        yield Case("import", way, partial(_import, content, MAPPING))
    for key, values in SETTINGS.items():
        for value in values:
            mapping = re.sub(rf"(?m)^{key} = .*$", lambda _, k=key, v=value: f"{k} = {v}", MAPPING)
            yield Case("import", f"{key} = {value}", partial(_import, TABLE.encode(), mapping))
    for way, tamper in (TAMPERINGS | {"2 GB of nothing": _sparse, "2 GB more": _grown}).items():
        for file in ("log.csv", "map.toml"):
            yield Case("import", f"{file} {way}", partial(_import_tampered, file, tamper))
    for modulus in ("0", "-1", "nan", "1", "3.0", "2.5", "1e300", "0.007"):
        mapping = MAPPING.replace("[columns]", f"clock_modulus = {modulus}\n[columns]")
        yield Case("import", f"clock_modulus = {modulus}", partial(_import, TABLE.encode(), mapping))


def _import(content: bytes, mapping: str, folder: Path) -> str:
    return _import_tampered("log.csv", lambda _: None, folder, content=content, mapping=mapping)


def _import_tampered(
    file: str, tamper: Tamper, folder: Path, *, content: bytes = TABLE.encode(), mapping: str = MAPPING
) -> str:
    campaign = folder / "teasel-2"
    shutil.copytree(_campaign(), campaign)
    (folder / "log.csv").write_bytes(content)
    (folder / "map.toml").write_text(mapping, encoding="utf-8")
    tamper(folder / file)
    said = told("import", folder / "log.csv", folder / "map.toml", campaign / "plans/WF-03.toml")
    runs = [path for path in campaign.glob("runs/*") if not path.name.startswith(".")]
    if said.code in (0, 10):
        return fault(said, {0, 10}) or (
            f"{len(runs)} runs" if len(runs) != 1 else fault(told("verify", *runs), {said.code})
        )
    left = f"left behind: {list(campaign.glob('runs/*'))}" if list(campaign.glob("runs/*")) else ""
    return fault(said, {3, 6, 7}) or left
