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

from daq.port import open_port
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
    Binary,
    build_runner,
    build_sketch,
    demand,
    missing,
)

pytestmark = pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals")

NODE = Wiring("cradle-a", "0007", 500_000, ("ain0", "ain1", "ain2", "ain3"), "fire")  # as node_config.h ships
INPUTS, RATE, FIRE_PIN = (0, 1, 2, 3), 1000, 2
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
    demand(missing())
    folder = tmp_path_factory.mktemp("built")
    return Bench(build_runner(folder), build_sketch("standbook_node", folder))


def trace(folder, seconds=200.0):
    return write_trace(folder / "trace.csv", seconds, SEEN)


def record_emulated(bench, folder, seconds, actions=()):
    """Record a board through a link for some real seconds; return the run and what the emulator knows of it."""
    plan, link = write_emulated_campaign(folder, NODE), folder / "port"
    with emulated(bench.runner, bench.node.elf, folder, trace(folder), link=link, actions=actions) as board:
        run = record_board(plan, NODE, link, seconds)
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


@pytest.mark.slow
def test_a_minute_is_recorded_without_a_gap_and_is_what_the_board_saw(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 62.0)
    assert run.code == 0, run.said
    assert run.gaps == []
    assert (account.told["dropped"], account.told["crashed"]) == (0, False)
    assert_rows_are_what_was_converted(run, account)

    sequence = run.samples["sequence"].to_numpy()
    assert sequence.tolist() == list(range(sequence.size))
    seconds = account.groups(1, INPUTS)["cycle"][sequence] / HZ  # (N, inputs)
    assert seconds[-1, 0] - seconds[0, 0] >= 60.0
    counts = run.counts(len(INPUTS))
    for k in INPUTS:
        # 1.5: half a count and one of the converter's own, as asked of the sketch. A sawtooth's fall is no value.
        flank = (seconds[:, k] % 3.0 > 2.98) if k == 2 else np.zeros(sequence.size, bool)
        assert np.abs(counts[:, k] - SEEN[f"mv{k}"](seconds[:, k]) * TOP / SUPPLY_MV)[~flank].max() < 1.5
    decay = pressure_at(seconds[:, 0])
    assert decay[-1] < 2.5  # from 9 bar
    assert np.abs(run.samples[TAG].to_numpy() / 1e5 - decay).max() < RESOLUTION


@pytest.mark.slow
def test_an_edge_is_timed_by_the_board(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 6.5)
    (edge,) = run.device["edges"]
    assert (edge["line"], edge["level"], edge["restored"]) == ("fire", 1, False)
    first = account.groups(1, INPUTS)["cycle"][run.samples["sequence"][0], 0] / HZ
    at = first + (edge["ticks"] - run.samples["ticks"][0]) / tick_hz(run)
    assert abs(at - FIRE_AT) < INSTANT


@pytest.mark.slow
def test_a_reset_is_a_new_boot_and_a_stated_gap(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 8.0, [(4.0, "reset")])
    assert run.code == 10
    assert sorted(set(run.samples["boot"])) == [1, 2]  # from the chip's own EEPROM
    (gap,) = run.gaps
    assert (gap["first_sequence"], gap["rows"]) == (None, None)
    assert_rows_are_what_was_converted(run, account)


@pytest.mark.slow
def test_a_board_without_supply_for_a_while_is_a_new_boot_and_a_stated_gap(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 9.0, [(3.0, "power:1.0")])
    assert run.code == 10
    assert sorted(set(run.samples["boot"])) == [1, 2]
    assert len(list((run.folder / "raw").glob("*.arrows"))) == 2
    (gap,) = run.gaps
    assert gap["rows"] is None
    assert (gap["end_ns"] - gap["start_ns"]) / 1e9 > 1.0
    assert_rows_are_what_was_converted(run, account)


@pytest.mark.slow
def test_a_port_that_is_gone_while_the_board_runs_on_costs_counted_rows(bench, tmp_path):
    run, account = record_emulated(bench, tmp_path, 9.0, [(3.0, "port:1.0")])
    assert run.code == 10
    assert set(run.samples["boot"]) == {1}
    assert len(list((run.folder / "raw").glob("*.arrows"))) == 2
    assert_rows_are_what_was_converted(run, account)
    there = set(run.samples["sequence"])
    gone = {k for gap in run.gaps for k in range(gap["first_sequence"], gap["first_sequence"] + gap["rows"])}
    assert there.isdisjoint(gone)
    assert there | gone == set(range(max(there) + 1))
    assert len(gone) > RATE * 1.0


def test_listening_says_what_the_board_is_and_how_fast_its_clock_runs(bench, tmp_path):
    # A clock that is half a per cent fast, as a ceramic resonator may be: 3 s show that beyond doubt.
    with emulated(bench.runner, bench.node.elf, tmp_path, trace(tmp_path), pace=1.005) as board:
        listener = standbook("ports", "--listen", board.port, "--baud", NODE.baud, "--seconds", 4, "--json",
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE)  # fmt: skip
        with ended(listener):
            out, err = listener.communicate(timeout=PATIENCE)
        account = board.end()
    assert listener.returncode == 0, err
    told = json.loads(out)
    assert [told[key] for key in ("device", "serial", "boot", "rehearsal", "lines")] == [
        NODE.device, NODE.serial, 1, False, ["fire"],
    ]  # fmt: skip
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
