"""The sketch, built exactly as it ships, on an emulated chip: recorded by the command itself, through resets and pulls.

The emulator knows what each conversion saw; recorded rows are held against that, row by row. Ports are real
pseudo-terminals and the board keeps real time, so the command sees what a board on a cable would give it.
"""

import json
import os
import subprocess
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

from standbook.daq.capture.serial_port import open_port
from tests.cli.made_run import ended, standbook
from tests.emulator.board import HZ, PATIENCE, SUPPLY_MV, TOP, counts_of, emulated, write_trace
from tests.emulator.campaign import (
    RESOLUTION,
    TAG,
    Wiring,
    millivolt_of,
    pressure_at,
    record_board,
    write_emulated_campaign,
)
from tests.emulator.heard import hear
from tests.emulator.toolchain import (
    FLASH_BYTES,
    RAM_BYTES,
    SKETCHES,
    Binary,
    build_runner,
    build_sketch,
    require_tools,
)

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals")

NODE = Wiring("cradle-a", "0007", 500_000, ("adc0", "adc1", "adc2", "adc3"), "fire")  # as node_config.h ships
INPUTS, RATE, BATCH, FIRE_PIN = (0, 1, 2, 3), 1000, 16, 2
LINES = Wiring(
    "lines-a",
    "",
    115_200,
    ("adc0", "adc1"),
    text_lines="""\
columns = ["boot", "row", "us", "adc0", "adc1"]
clock = "us"
clock_hz = 1000000
clock_modulus = 4294967296
counter = "row"
boot = "boot"
""",
)  # as the sketch itself says in its head
FIRE_AT = 4.0  # [s]
INSTANT = 50e-6  # [s] that a busy chip may be late for its own timer
SEEN = {  # by the board, in millivolts
    "mv0": lambda t: millivolt_of(pressure_at(t)),
    "mv1": lambda t: 2500.0 + 2000.0 * np.sin(2.0 * np.pi * t / 7.0),
    "mv2": lambda t: 4900.0 * (t % 3.0) / 3.0,
    "mv3": lambda t: 1234.0 + 0.0 * t,
    f"pin{FIRE_PIN}": lambda t: t < FIRE_AT,  # a contact pulls it to ground
}


@dataclass(frozen=True)
class Bench:
    """What all tests share: the program that emulates, the sketch as built."""

    runner: Path
    node: Binary


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    require_tools()
    folder = tmp_path_factory.mktemp("built")
    return Bench(build_runner(folder), build_sketch("standbook_node", folder / "node"))


def trace(folder, seconds=200.0):
    return write_trace(folder / "trace.csv", seconds, SEEN)


def record_emulated(bench, folder, seconds, *actions, wiring=NODE, binary=None):
    """Record a board through a link for so many seconds of its time; return the run and what the emulator knows."""
    plan, link = write_emulated_campaign(folder, wiring), folder / "port"
    elf = (binary or bench.node).elf
    with emulated(bench.runner, elf, folder, trace(folder), link=link, actions=[*actions, (seconds, "tell")]) as board:
        run = record_board(plan, wiring, link, board)
        return run, board.end()


def assert_rows_are_what_was_converted(run, account):
    """Every recorded row is that of the emulator's own record: by start of the board and number within it."""
    boots = run.samples["boot"].to_numpy()
    known = np.unique(boots)
    assert known.size == len(account.told["starts"])
    for start, boot in enumerate(known, 1):
        mine, rounds = boots == boot, account.groups(start, INPUTS)
        sequence = run.samples["sequence"].to_numpy()[mine]
        assert sequence.size > RATE / 2
        assert (np.diff(sequence) > 0).all()
        assert np.array_equal(run.counts(len(INPUTS))[mine], counts_of(rounds["millivolt"])[sequence])
        seconds = rounds["cycle"][sequence, 0] / HZ
        ticks = run.samples["ticks"].to_numpy()[mine] / tick_hz(run)
        assert np.ptp(ticks - seconds) < INSTANT, "a row's ticks are not those of its conversions"


def tick_hz(run):
    (stream,) = run.device["streams"].values()
    return stream["tick_hz"]


def test_the_sketch_compiles_without_a_warning_and_fits_its_chip_with_its_stack(bench, tmp_path):
    assert bench.node.warnings == ()
    assert bench.node.flash_bytes < 0.9 * FLASH_BYTES  # a boot loader takes 512 bytes to 2 kB
    with emulated(
        bench.runner, bench.node.elf, tmp_path, trace(tmp_path), output=tmp_path / "out.bin", pace=0.0, stop=2.5
    ) as board:
        account = board.account()
    assert account.told["untouched_ram"] >= 64  # bytes that neither variables nor the deepest stack ever reached
    assert account.told["untouched_ram"] < RAM_BYTES - bench.node.ram_bytes


@pytest.fixture(scope="module")
def minute(bench, tmp_path_factory):
    return record_emulated(bench, tmp_path_factory.mktemp("minute"), 61.0)


@pytest.mark.slow
def test_a_minute_is_recorded_without_a_gap(minute):
    run, account = minute
    # An emulator that cannot keep up has a clock that no board has, and that alone is said.
    serious = [note["text"] for note in run.device["notes"] if note["severity"] == "serious"]
    assert all("the computer was held up" in text for text in serious), run.said
    assert run.code == (10 if serious else 0), run.said
    assert run.gaps == []
    assert (account.told["dropped"], account.told["crashed"]) == (0, False)
    assert_rows_are_what_was_converted(run, account)
    sequence = run.samples["sequence"].to_numpy()
    assert sequence.tolist() == list(range(sequence.size))
    first, last = account.groups(1, INPUTS)["cycle"][sequence[[0, -1]], 0]
    assert last - first >= 60 * HZ


@pytest.mark.slow
def test_what_is_recorded_is_what_the_board_saw(minute):
    run, account = minute
    seconds = account.groups(1, INPUTS)["cycle"][run.samples["sequence"].to_numpy()] / HZ  # (N, inputs)
    counts = run.counts(len(INPUTS))
    for k in INPUTS:
        # 1.5 as asked of the sketch: one for the converter, which rounds down, half for a millivolt of the trace. Where
        # the sawtooth falls, between two rows of the trace, it has no value of its own.
        falls = (seconds[:, k] % 3.0 > 2.98) & (k == 2)
        seen = SEEN[f"mv{k}"](seconds[:, k]) * TOP / SUPPLY_MV
        assert np.abs(counts[:, k] - seen)[~falls].max() < 1.5
    decay = pressure_at(seconds[:, 0])
    assert decay[-1] < 2.5  # from 9 bar
    assert np.abs(run.samples[TAG].to_numpy() - decay).max() < RESOLUTION  # both in bar


@pytest.mark.slow
def test_an_edge_has_the_time_at_which_it_came(minute):
    run, account = minute
    (edge,) = run.device["edges"]
    assert (edge["line"], edge["level"], edge["restored"]) == ("fire", 1, False)
    first = account.groups(1, INPUTS)["cycle"][run.samples["sequence"][0], 0] / HZ
    at = first + (edge["ticks"] - run.samples["ticks"][0]) / tick_hz(run)
    assert abs(at - FIRE_AT) < INSTANT


@pytest.mark.slow
def test_a_reset_is_a_new_boot_and_a_stated_gap(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 6.0, (3.0, "reset"))
    assert run.code == 10
    assert sorted(set(run.samples["boot"])) == [1, 2]  # from the chip's own EEPROM
    (gap,) = run.gaps
    assert (gap["first_sequence"], gap["rows"]) == (None, None)
    assert_rows_are_what_was_converted(run, account)


@pytest.mark.slow
def test_a_board_without_supply_for_a_while_is_a_new_boot_and_a_stated_gap(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 7.0, (2.5, "power:1.0"))
    assert run.code == 10
    assert sorted(set(run.samples["boot"])) == [1, 2]
    assert len(list((run.folder / "raw").glob("*.arrows"))) == 2
    (gap,) = run.gaps
    assert gap["rows"] is None
    assert (gap["end_ns"] - gap["start_ns"]) / 1e9 > 1.0
    assert_rows_are_what_was_converted(run, account)


@pytest.mark.slow
def test_a_port_that_is_gone_while_the_board_runs_on_costs_counted_rows(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 7.0, (2.5, "port:1.0"))
    assert run.code == 10
    assert set(run.samples["boot"]) == {1}
    assert len(list((run.folder / "raw").glob("*.arrows"))) == 2
    assert_rows_are_what_was_converted(run, account)
    there = set(run.samples["sequence"])
    gone = {k for gap in run.gaps for k in range(gap["first_sequence"], gap["first_sequence"] + gap["rows"])}
    assert there.isdisjoint(gone)
    assert there | gone == set(range(max(there) + 1))
    assert len(gone) > RATE * 1.0


@pytest.mark.slow
def test_asked_for_too_much_it_tells_and_counts_every_row_that_it_skips(bench, tmp_path):
    # 2,000 rows a second need 19 kB/s, a link of 115,200 bit/s carries 11.
    defines = {"NODE_RATE": 2000, "NODE_BAUD": 115_200, "NODE_ALLOW_OVERRUN": 1}
    binary = build_sketch("standbook_node", bench.runner.parent / "too_much", defines)
    out = tmp_path / "out.bin"
    with emulated(bench.runner, binary.elf, tmp_path, trace(tmp_path), output=out, pace=0.0, stop=3.0) as board:
        account = board.account()
    heard = hear(out.read_bytes())
    (start,) = heard.starts.values()
    assert heard.damaged == 0
    # A skipped row was not converted: those that were came, all and in order.
    rounds = account.groups(1, INPUTS)["millivolt"]
    assert np.array_equal(start.counts, counts_of(rounds)[: start.sequence.size])
    # 896 bytes wait for the link when the board is stopped, and three batches for room there.
    assert rounds.shape[0] - start.sequence.size <= 10 * BATCH
    skipped = np.setdiff1d(np.arange(start.sequence[-1] + 1), start.sequence)
    skipped_at = start.ticks[0] + 500 * skipped
    assert skipped.size > 1000
    told = 0
    for note in heard.overruns:
        told += note.rows
        assert told == np.count_nonzero(skipped_at <= note.ticks)
    assert skipped.size - told < 2000  # since the last note, which comes twice a second


HOGGING = """\
#include "bridge_adc.h"
static uint8_t rows;
static int32_t taken;
void bridge_begin(void) {}
bool bridge_is_ready(void) { return ++rows % 32 == 0; }
bridge_result bridge_take(int32_t *counts)
{
    noInterrupts();
    delayMicroseconds(2500);
    interrupts();
    counts[0] = ++taken;
    return BRIDGE_ROW;
}
"""


@pytest.mark.slow
def test_a_driver_that_keeps_interrupts_off_costs_rows_that_are_told_and_no_time(bench, tmp_path):
    defines = {"NODE_BRIDGE": 1, "NODE_BRIDGE_RATE": 32}
    binary = build_sketch("standbook_node", bench.runner.parent / "hogging", defines, {"bridge_adc.cpp": HOGGING})
    out = tmp_path / "out.bin"
    with emulated(bench.runner, binary.elf, tmp_path, trace(tmp_path), output=out, pace=0.0, stop=4.0) as board:
        account = board.account()
    heard = hear(out.read_bytes())
    (start,) = heard.starts.values()
    assert heard.damaged == 0
    rounds = account.groups(1, INPUTS)[: start.sequence.size]
    assert np.array_equal(start.counts, counts_of(rounds["millivolt"]))
    # Held up 2.5 ms, a row is late by less than the next one's time; a whole round of the timer would be 32 ms.
    late = rounds["cycle"][:, 0] / HZ - start.ticks / 1e6
    assert np.ptp(late) < 1.0 / RATE
    assert (start.ticks - start.ticks[0] == 1000 * (start.sequence - start.sequence[0])).all()
    assert start.lost > 100
    told = sum(note.rows for note in heard.overruns)
    assert 0 <= start.lost - told < RATE / 4  # since the last note, which comes twice a second


def shipped_example():
    """The example of the file itself, as a crew would take it over."""
    text = (SKETCHES / "standbook_node/bridge_adc.cpp").read_text(encoding="utf-8")
    lines = [line[7:] for line in text.splitlines() if line.startswith(" *     ")]
    assert lines[0].startswith("constexpr uint8_t DATA_PIN")
    return "\n".join(['#include "bridge_adc.h"', *lines, ""])


@pytest.mark.slow
@pytest.mark.parametrize("line", ["INPUT", "INPUT_PULLUP"])  # without its pull-up an open pin reads low here
def test_a_missing_converter_is_said_and_never_recorded_as_thrust(bench, tmp_path, line):
    binary = build_sketch(
        "standbook_node",
        bench.runner.parent / f"absent_{line.lower()}",
        {"NODE_BRIDGE": 1},
        {"bridge_adc.cpp": shipped_example().replace("INPUT_PULLUP", line)},
    )
    out = tmp_path / "out.bin"
    with emulated(bench.runner, binary.elf, tmp_path, trace(tmp_path), output=out, pace=0.0, stop=5.0) as board:
        board.account()
    sent = out.read_bytes()
    fast, bridge = hear(sent), hear(sent, 2)
    assert bridge.starts == {}
    told = [note.ticks / 1e6 for note in fast.notes if note.text == "bridge: no answer"]
    assert 3 <= len(told) <= 6
    assert told[0] - fast.notes[0].ticks / 1e6 < 1.5
    assert {dict(beat.next_sequence)[2] for beat in fast.beats} == {0}
    (start,) = fast.starts.values()
    assert start.lost <= start.sequence.size / 1000


@pytest.mark.slow
def test_the_sketch_that_prints_lines_is_recorded_row_for_row_through_a_reset(bench, tmp_path):
    binary = build_sketch("standbook_lines", bench.runner.parent / "lines")
    assert binary.warnings == ()
    run, account = record_emulated(bench, tmp_path, 5.5, (2.5, "reset"), wiring=LINES, binary=binary)
    assert len(run.samples) > 350  # 100 a second
    boots = run.samples["boot"].to_numpy()
    assert sorted(set(boots)) == [0, 1]
    for boot in (0, 1):
        sequence = run.samples["sequence"].to_numpy()[boots == boot]
        rounds = account.groups(boot + 1, (0, 1), for_nothing=0)
        assert np.array_equal(run.counts(2)[boots == boot], counts_of(rounds["millivolt"])[sequence])
    (gap,) = run.gaps
    assert gap["rows"] is None


@pytest.mark.slow
def test_listening_says_what_the_board_is_and_how_fast_its_clock_runs(bench, tmp_path):
    # A clock that is half a per cent fast, as a ceramic resonator may be: 3 s show that beyond doubt.
    with emulated(bench.runner, bench.node.elf, tmp_path, trace(tmp_path), pace=1.005) as board:
        listener = standbook(
            "ports",
            "--listen",
            board.port,
            "--baud",
            NODE.baud,
            "--seconds",
            4,
            "--json",
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        with ended(listener):
            out, err = listener.communicate(timeout=PATIENCE)
        account = board.end()
    assert listener.returncode == 0, err
    told = json.loads(out)
    assert [told[key] for key in ("device", "serial", "boot", "rehearsal", "lines")] == [
        NODE.device,
        NODE.serial,
        1,
        False,
        ["fire"],
    ]
    (stream,) = told["streams"]
    assert [channel["name"] for channel in stream["channels"]] == list(NODE.wires)
    assert stream["rate"] == RATE
    assert (stream["lost_rows"], told["damaged_frames"]) == (0, 0)
    assert stream["rows"] > 3.0 * RATE
    assert abs(told["clock_ppm"] - 5000.0) < 3.0 * told["clock_u_ppm"] + 100.0
    assert account.told["dropped"] == 0


def test_nothing_that_the_board_receives_changes_what_it_sends(bench, tmp_path):
    said = []
    for rubbish in (b"", bytes(range(256)) * 4):
        folder = tmp_path / str(len(rubbish))
        folder.mkdir()
        with emulated(bench.runner, bench.node.elf, folder, trace(folder), pace=2.0) as board:
            said.append(_hear_while_writing(board.port, rubbish, 20_000))
            account = board.end()
        assert account.told["received"] == len(rubbish)
        assert account.told["receiver_was_on"] is False
    assert said[0] == said[1]
    assert hear(said[0]).damaged == 0


def _hear_while_writing(port, rubbish, size):
    """Read so many bytes; write meanwhile, which the recorder itself cannot."""
    heard = bytearray()
    with open_port(port, NODE.baud) as source:
        writer = os.open(port, os.O_WRONLY | os.O_NOCTTY)
        try:
            deadline = time.monotonic() + PATIENCE
            while len(heard) < size:
                heard += source.read(0.1)
                if len(heard) > size / 4 and rubbish:
                    rubbish = rubbish[os.write(writer, rubbish) :]
                assert time.monotonic() < deadline
        finally:
            os.close(writer)
    return bytes(heard[:size])
