"""A board that is a process of this computer: the sketch as shipped on the made-up board of ``firmware_host/shim``."""

import os
import re
import select
import subprocess
import time
from contextlib import contextmanager

import numpy as np

from standbook.daq.rehearsal.pseudo_terminal import open_terminal
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.stream_assembly import assemble
from tests.firmware_build import environment

WRAP = 2**32
KEPT = "-DNODE_BOOT=BOOT_EEPROM"  # as a board with an EEPROM that keeps what is written at once
PATIENCE = 60.0  # [s] until a board that hangs fails


def settings(**said):
    """What happens to the board, as the shim reads it: ``seconds=3`` is SHIM_SECONDS."""
    return {**environment(), **{f"SHIM_{name.upper()}": str(value) for name, value in said.items()}}


def all_it_sends(program, **said):
    """Everything that a board sends in so many made-up seconds; nothing holds it back."""
    done = subprocess.run([program], capture_output=True, env=settings(**said), timeout=PATIENCE, check=False)
    assert (done.returncode, done.stderr.decode(errors="replace")) == (0, "")
    return done.stdout


@contextmanager
def plugged_in(program, **said):
    """A board on a pseudo-terminal: gives the port's path. It gets its power when the port is opened."""
    master, path = open_terminal()
    os.set_blocking(master, True)
    board = subprocess.Popen([program], pass_fds=[master], stderr=subprocess.PIPE, env=settings(port=master, **said))
    os.close(master)
    try:
        yield path
    finally:
        board.kill()
        _, complaint = board.communicate()
    assert complaint.decode(errors="replace") == ""


def read_from(path, length, *, send=b""):
    """The first bytes that come from a port, while ``send`` is written to it again and again."""
    port = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    found, deadline = bytearray(), time.monotonic() + PATIENCE
    sent = 0
    try:
        while len(found) < length and time.monotonic() < deadline:
            readable, writable, _ = select.select([port], [port] if send else [], [], 1.0)
            if writable:
                sent += os.write(port, send)
            if readable:
                found += os.read(port, 65536)
    finally:
        os.close(port)
    return bytes(found[:length]), sent


class Told:
    """What a stream of bytes says, with nothing of it damaged or refused."""

    def __init__(self, stream, name="fast"):
        got, end = Decoder().feed(stream), Decoder()
        end.feed(stream)
        self.torn = end.finish().torn_bytes
        assert (got.damaged_frames, got.leading_bytes, got.refusals, got.pending_frames) == (0, 0, (), 0)
        self.hellos = [(hello, at) for hello, at in got.hellos if hello.name == name]
        self.hello: Hello = self.hellos[0][0]
        self.beats, self.edges, self.notes, self.blocks = got.beats, got.edges, got.notes, got.blocks
        self.assembly = assemble(got.blocks, got.beats, got.edges, self.hello)
        assert len(self.assembly.segments) == 1
        self.rows = self.assembly.segments[0]

    def said(self, pattern):
        """The numbers in notes of this form, and nothing where no note has it."""
        found = [re.fullmatch(pattern, note.text) for note in self.notes]
        return [tuple(map(int, match.groups())) for match in found if match]


def assert_rows_were_taken_when_they_say(told, clock):
    """The made-up input of A1 is the milliseconds of the board: it holds a row to its number and its ticks.

    A row is read up to 0.1 ms after it was due, so the milliseconds may have gone on by one.
    """
    rows = told.rows
    assert (np.diff(rows.ticks) == told.hello.interval_ticks * np.diff(rows.sequence)).all()
    late = (rows.counts[:, 1] - 100 - (rows.ticks - clock) // 1000) % 1024
    assert set(late.tolist()) <= {0, 1}


def assert_beats_name_the_row_that_comes_next(told):
    """Of the stream: the first row of the samples frame that follows the beat on the wire."""
    own = [block for block in told.blocks if block.stream == told.hello.stream]
    ends = np.concatenate([block.frame_end for block in own])
    firsts = np.concatenate([block.frame_first for block in own])[np.argsort(ends)]
    ends.sort()
    checked = 0
    for beat in told.beats:
        after = int(np.searchsorted(ends, beat.offset, side="right"))
        if after < ends.size:
            assert dict(beat.next_sequence)[told.hello.stream] == firsts[after]
            checked += 1
    assert checked >= len(told.beats) - 2
