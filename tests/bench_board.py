"""A board on a bench that sends on and on; the test turns the pump."""

import os
import re
import threading
import time
from contextlib import contextmanager

import numpy as np

from standbook.daq.rehearsal.pseudo_terminal import open_terminal
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from tests.cli.made_run import until
from tests.recorded_run import fast_hello

FASTER = 10.0  # than real time: half a second stands for a level's five
ROWS_A_SECOND = 100
CHANNELS = 11
LARGEST = 32_767  # of all channels but the first
NOISE = 2.0  # counts, of all channels but the last, which is the supply
TAPPED_EVERY = 4.0  # s
AGAIN = 1.5  # s, after which a key that was refused is pressed again


class BenchBoard:
    """A board that sends on and on; the test turns the pump."""

    def __init__(self):
        self.master, self.port = open_terminal()
        self.counts = np.zeros(CHANNELS)
        self.rings = (0.0, 11.0, 0.03)  # amplitude of the first channel in counts, frequency, damping; tapped again
        self.rows = 0  # sent
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._send)

    def _send(self):
        hello = fast_hello(tick_hz=1_000_000, interval=10_000, time_scale=FASTER)
        random, row = np.random.default_rng(1), 0
        began = time.monotonic()
        while not self._over.is_set():
            # As a board's clock has it, however this thread is held up.
            due = int((time.monotonic() - began) * FASTER * ROWS_A_SECOND) - row
            noise = NOISE * random.standard_normal((due, CHANNELS))
            noise[:, -1] = 0.0
            counts = np.rint(self.counts + noise).astype(np.int64)
            counts[:, 0] += self._ringing(row + np.arange(due))
            counts[:, 1:] = np.clip(counts[:, 1:], -LARGEST - 1, LARGEST)
            if due:
                self._put(b"".join(encode_samples(hello, row, 10_000 * row, 0, counts, 10)))
            if row // 200 != (row + due) // 200 or not row:
                self._put(encode_frame(hello_body(hello)))
            row += due
            self.rows = row
            time.sleep(0.02)

    def _ringing(self, rows):
        """A blow every ``TAPPED_EVERY`` seconds."""
        amplitude, frequency, zeta = self.rings
        t, omega = (rows % round(TAPPED_EVERY * ROWS_A_SECOND)) / ROWS_A_SECOND, 2.0 * np.pi * frequency
        decay = amplitude * np.exp(-zeta * omega * t) * np.cos(omega * np.sqrt(1.0 - zeta**2) * t)
        return np.rint(decay).astype(np.int64)

    def _put(self, data):
        """Write all of it, however long the other end takes."""
        while data and not self._over.is_set():
            try:
                data = data[os.write(self.master, data) :]
            except OSError:  # nobody has the port open, or it is full
                time.sleep(0.01)

    @contextmanager
    def running(self):
        self._thread.start()
        try:
            yield self
        finally:
            self._over.set()
            self._thread.join()
            os.close(self.master)


def take(person, words, stands):
    """Press space whenever ``stands()`` says that the level stands, until it is taken: by chance one may be refused."""
    pressed = -AGAIN

    def taken():
        nonlocal pressed
        if re.search(rf"taken: {words}", person.read().replace("not taken", "")):
            return True
        if stands() and time.monotonic() - pressed > AGAIN:
            person.press(b" ")
            pressed = time.monotonic()
        return False

    until(taken, f"{words} is taken")
