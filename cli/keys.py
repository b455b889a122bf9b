"""Read single keys from the terminal without echo, in a thread that records the instant of each.

Ctrl-C stays what it is, the only stop. Where there is no terminal, or no such setting (Windows), no key ever comes.
"""

import contextlib
import os
import select
import sys
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Final

from standbook.daq.config.plan import Mark
from standbook.daq.host_clock import Clocks, HostClocks, HostTime
from standbook.daq.run.marks import MarkLog

BACKSPACE: Final = ("\x7f", "\b")
ENTER: Final = ("\r", "\n")
_LOOK: Final = 0.1  # [s] until a key reader sees that it must end
# A key that is held down comes again some thirty times a second; nobody presses one that often.
HELD: Final = 100_000_000  # [ns] between two of the same key


@dataclass(frozen=True, slots=True)
class Key:
    """One pressed key and its instant."""

    text: str
    when: HostTime


class KeyReader:
    """Collects keys as they are pressed."""

    def __init__(self, descriptor: int, clocks: Clocks) -> None:
        self._descriptor, self._clocks = descriptor, clocks
        self._keys: SimpleQueue[Key] = SimpleQueue()
        self._ended = threading.Event()
        self._thread = threading.Thread(target=self._repeat, name="keys", daemon=True)
        self._thread.start()

    def pressed(self) -> list[Key]:
        """Return the keys since the last call, in order."""
        found: list[Key] = []
        while True:
            try:
                found.append(self._keys.get_nowait())
            except Empty:
                return found

    def close(self) -> None:
        """Stop reading."""
        self._ended.set()
        self._thread.join()

    def _repeat(self) -> None:
        with contextlib.suppress(OSError, ValueError):  # the terminal has gone: no more keys
            while not self._ended.is_set():
                if not select.select([self._descriptor], [], [], _LOOK)[0]:
                    continue
                data = os.read(self._descriptor, 64)
                when = self._clocks.now()
                if not data:
                    return
                if data.startswith(b"\x1b"):  # an arrow or a function key says several bytes and is none of ours
                    continue
                for text in data.decode(errors="replace"):
                    self._keys.put(Key(text, when))


@contextlib.contextmanager
def reading_keys(clocks: Clocks | None = None) -> Iterator[KeyReader | None]:
    """Yield a reader of single keys, and restore the terminal on every way out; ``None`` where none can be read.

    Ctrl-S is taken as any other key meanwhile: it would freeze the screen.
    """
    try:
        import termios

        descriptor = sys.stdin.fileno()
        before = termios.tcgetattr(descriptor)
        ours = os.tcgetpgrp(descriptor) == os.getpgrp()  # in the background the terminal is somebody else's
    except (ImportError, OSError, ValueError):
        ours = False
    except termios.error:
        ours = False
    if not ours:
        yield None
        return
    raw = termios.tcgetattr(descriptor)
    raw[0] &= ~termios.IXON
    raw[3] &= ~(termios.ICANON | termios.ECHO)  # signals stay: Ctrl-C stops
    raw[6][termios.VMIN], raw[6][termios.VTIME] = 1, 0
    try:
        termios.tcsetattr(descriptor, termios.TCSANOW, raw)
        reader = KeyReader(descriptor, clocks or HostClocks())
        try:
            yield reader
        finally:
            reader.close()
    finally:
        with contextlib.suppress(termios.error):  # it may have gone away
            termios.tcsetattr(descriptor, termios.TCSADRAIN, before)


class MomentOf:
    """A clock that stands at the moment of a key."""

    def __init__(self, clocks: Clocks) -> None:
        self.when = clocks.now()

    def now(self) -> HostTime:
        """Return the moment."""
        return self.when


class KeyMarks:
    """Turn keys into marks of a run: the plan's first, then space for one without a name.

    Backspace strikes the last mark out that still stands; it stays in the file. A key that repeats itself because it
    is held down, by a glove or a folder on the keyboard, means nothing.
    """

    def __init__(self, marks: Sequence[Mark], path: Path, clocks: Clocks) -> None:
        self._named = {mark.key.upper(): mark for mark in marks}
        self._moment = MomentOf(clocks)
        self._last: Key | None = None
        self.log = MarkLog(path, self._moment)

    def press(self, key: Key) -> bool:
        """Execute a key; tell whether it had a meaning.

        Raises
        ------
        RecordError
            The disk did not take the mark.
        """
        last, self._last = self._last, key
        if last is not None and last.text == key.text and key.when.monotonic_ns - last.when.monotonic_ns < HELD:
            return False
        self._moment.when = key.when
        mark = self._named.get(key.text.upper())
        if mark is not None:
            self.log.drop(mark.text, key=mark.key)
            return True
        if key.text == " ":
            self.log.drop("")
            return True
        if key.text in BACKSPACE:
            standing = [dropped for dropped in self.log.marks if not dropped.struck]
            if standing:
                self.log.strike(standing[-1].number)
                return True
        return False
