"""Cases of the battery about what is no file: bytes on the wire, ports, disks, terminals, processes."""

import errno
import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from standbook.daq.errors import StandError
from standbook.daq.journal.record_format import Event
from standbook.daq.sealing.rebuild import rebuild
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import MANIFEST
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import TYPE_RANGES, Hello, WireChannel
from tests.battery_files import _copy, _made, _sealed
from tests.cli.made_run import small_campaign
from tests.cli.test_every_write import Disk, is_whole, seen
from tests.recorded_run import Player, fast_hello, new_run
from tests.repository import ROOT
from tests.studies import recording_ends
from tests.studies.battery import REFUSED, Case, Said, fault, told
from tests.wire_reference import sample_rows


def cases() -> Iterator[Case]:
    """Yield the cases of these families."""
    yield from _damaged()
    yield from _no_ports()
    yield from _refusing_disks()
    yield from _terminals()
    yield from _processes()


# --- bytes on the wire -----------------------------------------------------------------------------------

ROWS, SIZE = 200, 5  # rows, and how many a frame
LAYOUTS = {
    "eleven channels": ("i24", *["i16"] * 10),
    "one byte": ("u8",),
    "fourteen channels": ("i16",) * 14,
    "mixed": ("i32", "u16", "u8", "i24"),
}
Damage = Callable[[list[bytes], random.Random], list[bytes]]


def _at(frames: list[bytes], chance: random.Random) -> int:
    return chance.randrange(5, len(frames) - 5)


def _put(piece: bytes) -> Damage:
    def put(frames: list[bytes], chance: random.Random) -> list[bytes]:
        at = _at(frames, chance)
        return [*frames[:at], piece, *frames[at:]]

    return put


def _bits(frames: list[bytes], chance: random.Random) -> list[bytes]:
    data = bytearray(b"".join(frames))
    for _ in range(12):
        data[chance.randrange(200, len(data))] ^= 1 << chance.randrange(8)
    return [bytes(data)]


def _span(change: Callable[[bytes, int], bytes]) -> Damage:
    def damaged(frames: list[bytes], chance: random.Random) -> list[bytes]:
        data = b"".join(frames)
        return [change(data, chance.randrange(300, len(data) - 300))]

    return damaged


def _swapped(frames: list[bytes], chance: random.Random) -> list[bytes]:
    at = _at(frames, chance)
    return [*frames[:at], frames[at + 1], frames[at], *frames[at + 2 :]]


DAMAGES: dict[str, Damage] = {
    "nothing": lambda frames, _: frames,
    "bits turned": _bits,
    "bytes lost": _span(lambda data, at: data[:at] + data[at + 37 :]),
    "bytes twice": _span(lambda data, at: data[: at + 64] + data[at:]),
    "packets exchanged": _span(
        lambda data, at: data[:at] + data[at + 64 : at + 128] + data[at : at + 64] + data[at + 128 :]
    ),
    "zeros for bytes": _span(lambda data, at: data[:at] + bytes(90) + data[at + 90 :]),
    "ones for bytes": _span(lambda data, at: data[:at] + b"\xff" * 90 + data[at + 90 :]),
    "zeros between": _span(lambda data, at: data[:at] + bytes(4000) + data[at:]),
    "noise between": _span(lambda data, at: data[:at] + random.Random(at).randbytes(4000) + data[at:]),
    "noise first": lambda frames, chance: [chance.randbytes(3000), *frames],
    "text first": lambda frames, _: [b"ets Jun  8 2016 00:22:57\r\nrst:0x1\r\n", *frames],
    "half a frame first": lambda frames, _: [frames[3][4:], *frames],
    "end cut": lambda frames, _: [b"".join(frames)[:-9]],
    "frame lost": lambda frames, chance: [f for k, f in enumerate(frames) if k != 20],
    "frames lost": lambda frames, chance: [f for k, f in enumerate(frames) if k % 7 or k == 0],
    "frame twice": lambda frames, _: [*frames[:20], frames[19], *frames[20:]],
    "all again": lambda frames, _: [*frames, *frames],
    "frames exchanged": _swapped,
    "hello last": lambda frames, _: [*frames[1:], frames[0]],
    "no hello": lambda frames, _: frames[1:],
    "hello refused first": lambda frames, _: [encode_frame(b'\x01{"format":1}'), *frames],
    "hello of another format": _put(encode_frame(b'\x01{"format":2}')),
    "unknown kind": _put(encode_frame(b"\x77strange")),
    "empty frames": _put(bytes(50)),
    "samples cut short": _put(encode_frame(b"\x02\x01\x11\x00\x00\x00\x05")),
    "an edge of no line": _put(encode_frame(b"\x03\x09\x11\x01\x00\x00\x00\x00\x00\x00")),
    "a note of controls": _put(encode_frame(b"\x04\x02\x11\x00\x00\x00\x00\x1b[2J\x07")),
    "a beat of nonsense": _put(encode_frame(b"\x05\x11" + b"\xff" * 30)),
}
SILENT = {"nothing", "empty frames", "hello last", "text first", "noise first", "half a frame first"}  # may be whole


def _damaged() -> Iterator[Case]:
    for layout, types in LAYOUTS.items():
        for name, damage in DAMAGES.items():
            for seed in (1, 2):
                yield Case("wire", f"{name}, {layout}, {seed}", partial(_decode, types, name, damage, seed))


def _hello(types: tuple[str, ...]) -> Hello:
    channels = tuple(WireChannel(f"adc{k}", kind, *TYPE_RANGES[kind]) for k, kind in enumerate(types))
    return Hello(
        device="cradle-a",
        serial="0007",
        firmware="1",
        boot=17,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=channels,
        lines=(),
    )


def _decode(types: tuple[str, ...], name: str, damage: Damage, seed: int, folder: Path) -> str:
    hello, chance = _hello(types), random.Random(seed)
    low, high = np.array([TYPE_RANGES[kind] for kind in types]).T
    counts = np.random.default_rng(seed).integers(low, high + 1, (ROWS, len(types)))
    frames = [encode_frame(hello_body(hello)), *encode_samples(hello, 0, 0, 0, counts, SIZE)]
    data = b"".join(damage(frames, chance)) + b"\0" * 2
    data += b"" if name == "no hello" else frames[0]  # a board says it once a second
    run = new_run(folder)
    player = Player(run, fast_hello())
    pieces = [data[at : at + 200] for at in range(0, len(data), 200)]
    player.records = [(k * ROWS / 1000 / len(pieces), Event.DATA, piece) for k, piece in enumerate(pieces)]
    player.write()
    codes = {0, 10} if name in SILENT or name not in ("frame lost", "frames lost", "no hello") else {10}
    said = told("recover", run, "--no-analysis")
    wrong = fault(said, codes) or fault(told("verify", run), {said.code})
    return wrong or _rows_differ(run, {row[:4] for row in sample_rows(data, hello)} if name != "no hello" else set())


def _rows_differ(run: Path, truth: set[tuple[object, ...]]) -> str:
    """Compare every row in samples with those whose frames stand whole on the wire."""
    found = set()
    for path in run.glob("samples/*.parquet"):
        table = pq.read_table(path)
        names = [column for column in table.column_names if column.endswith(".counts")]
        columns = [table[column].to_pylist() for column in ("boot", "sequence", "ticks", *names)]
        found |= {(boot & 0xFF, row, ticks, tuple(v)) for boot, row, ticks, *v in zip(*columns, strict=True)}
    return f"{len(truth - found)} rows lost, {len(found - truth)} invented" if truth != found else ""


# --- ports -----------------------------------------------------------------------------------------------

PORTS = (
    *("", " ", "no-such-port", "/dev/no-such-port", "COM99", "/dev/null", "/dev/zero", "/dev/full", "/dev/stdin"),
    *("/", "/etc/hostname", "spy:///dev/ttyS0?file=kept", "hwgrep://0007", "loop://", "alt://x?class=y"),
    *("socket://", "socket://127.0.0.1", "socket://127.0.0.1:1", "socket://127.0.0.1:99999", "socket://localhost:0"),
    *("socket://192.0.2.1:4000", "socket://[::1]:1", "rfc2217://127.0.0.1:1", "http://127.0.0.1", "file:///dev/null"),
    *("/dev/tty\x1b[2J", "/dev/tty\u202eX", "x" * 300, "x/" * 3000, "a\x00b", "~", "$HOME", "-", "--for"),
)


def _no_ports() -> Iterator[Case]:
    for port in PORTS:
        yield Case("ports", f"{port[:30]!r}, listen", partial(_listen, port))
        yield Case("ports", f"{port[:30]!r}, stand.toml", partial(_record, port, "stand"))
        yield Case("ports", f"{port[:30]!r}, record", partial(_record, port, "option"))
    for made in ("a pipe", "a file", "a folder"):
        yield Case("ports", f"{made}, record", partial(_record, made, "option"))


def _listen(port: str, folder: Path) -> str:
    return fault(told("ports", f"--listen={port}", "--seconds", "0.1"), {2, 4})


def _record(port: str, way: str, folder: Path) -> str:
    campaign = small_campaign(folder)
    made = {"a pipe": os.mkfifo, "a file": Path.touch, "a folder": Path.mkdir}
    if port in made:
        made[port](folder / "port")
        port = str(folder / "port")
    before = sorted(folder.iterdir())
    arguments = ["record", campaign / "plans/WF-03.toml", "--postdiction", "--no-analysis", "--for", "0"]
    if way == "option":
        arguments += [f"--port=cradle-a={port}"]
    else:
        stand = campaign / "stand.toml"
        quoted = "".join(c if c.isprintable() and c not in '"\\' else f"\\u{ord(c):04x}" for c in port)
        stand.write_text(stand.read_text("utf-8").replace('serial = "0007"', f'port = "{quoted}"', 1), "utf-8")
    wrong = fault(told(*arguments), {2, 3, 4})
    left = list(campaign.glob("runs/*"))
    return wrong or (f"left behind: {left}" if left or sorted(folder.iterdir()) != before else "")


# --- disks that refuse -----------------------------------------------------------------------------------

ERRORS = (errno.ENOSPC, errno.EIO, errno.EROFS)


def _refusing_disks() -> Iterator[Case]:
    works = {
        "seal": (_made, lambda run: seal(run)),
        "recover into": (_sealed, lambda run: rebuild(run, run.with_name("again"))),
    }
    for name, (made, work) in works.items():
        for number in range(1, 25):
            for code in ERRORS:
                yield Case(
                    "disk",
                    f"{name}, write {number}, {errno.errorcode[code]}",
                    partial(_refuse, made, work, number, code),
                )


def _refuse(made: Callable[[], Path], work: Callable[[Path], object], number: int, code: int, folder: Path) -> str:
    run = _copy(made(), folder)
    before = seen(run)
    with pytest.MonkeyPatch.context() as patch:
        disk = Disk(patch, refuses_from=number)
        patch.setattr(errno, "ENOSPC", code)  # what the stand-in says
        try:
            work(run)
        except StandError as refusal:
            if "\n" in str(refusal):
                return f"no sentence: {refusal}"
        else:
            if disk.asked >= number:
                return "a refused write went unsaid"
    after = seen(run)
    if {name: after.get(name) for name in before} != before:
        return "what was there has changed"
    if (again := folder / "again").exists() and not (again / MANIFEST).exists():
        return "half a run is left"
    is_whole(folder)
    return ""


# --- terminals -------------------------------------------------------------------------------------------

OUTPUTS: dict[str, dict[str, str]] = {
    "a full device": {},
    "a closed pipe": {},
    "no output at all": {},
    "ASCII": {"PYTHONIOENCODING": "ascii", "LC_ALL": "C"},
    "cp1252": {"PYTHONIOENCODING": "cp1252"},
    "a dumb terminal": {"TERM": "dumb"},
    "no columns": {"COLUMNS": "0", "LINES": "0"},
    "one column": {"COLUMNS": "1"},
    "columns of words": {"COLUMNS": "many"},
}
COMMANDS = (
    ("verify",),
    ("recover",),
    ("ports",),
    ("guide",),
    ("guide", "recording"),
    ("--help",),
    ("record", "--help"),
)


def _terminals() -> Iterator[Case]:
    for output, more in OUTPUTS.items():
        for words in COMMANDS:
            yield Case("terminal", f"{' '.join(words)} to {output}", partial(_to, words, output, more))


def _to(words: tuple[str, ...], output: str, more: dict[str, str], folder: Path) -> str:
    arguments = [*words, *([str(_copy(_made(), folder))] if words[0] in ("verify", "recover") else [])]
    line = f'exec "$0" -m standbook.cli "$@" {">&-" if output == "no output at all" else ""}'
    read, write = os.pipe()
    os.close(read)  # nobody reads
    full = os.open("/dev/full", os.O_WRONLY)
    out = {"a full device": full, "a closed pipe": write}.get(output, subprocess.PIPE)
    try:
        done = subprocess.run(
            ["/bin/sh", "-c", line, sys.executable, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=subprocess.PIPE,
            env={**os.environ, **more},
            cwd=ROOT,
            timeout=60.0,
            check=False,
        )
    finally:
        os.close(write)
        os.close(full)
    err = done.stderr.decode(errors="replace")
    gone = output in ("a full device", "a closed pipe", "no output at all")
    codes = {0, 10, *(REFUSED | {141} if gone else ())}
    said = Said(0 if gone and done.returncode in codes else done.returncode, "", err)
    return fault(said, codes) or ("" if gone or done.stdout else "not a word")


# --- processes -------------------------------------------------------------------------------------------


def _processes() -> Iterator[Case]:
    for way in recording_ends.WAYS:
        for rows in (250, 900):
            yield Case("process", f"{way.name} after {rows} rows", partial(_end, way, rows))


def _end(way: recording_ends.Way, rows: int, folder: Path) -> str:
    trial = recording_ends.run_trial(way, rows, folder)
    lost = [f"{trial.lost} rows lost, {trial.other} invented"] if trial.lost or trial.other else []
    return "; ".join([*trial.disagreements, *lost])
