"""A board that is a process of this computer: the sketch as shipped on the made-up board of ``firmware_host/shim``."""

import os
import select
import subprocess
import time
from contextlib import contextmanager

from daq.pseudo import open_terminal
from tests.firmware_build import environment

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
