"""Paint lines on a terminal from a thread of its own: the recording never waits for a terminal.

Only lines that changed are written, so that nothing flickers and a slow line has little to carry. The main screen is
used, and what was shown last stays there. A terminal that goes away, or that takes nothing, ends the painting alone.
"""

import io
import os
import threading
import time
from collections.abc import Callable, Sequence
from typing import Final

from rich.console import Console
from rich.text import Text

from standbook.daq.printable import printable

USUAL: Final = (80, 24)  # of a terminal that does not tell its size
REST: Final = 0.03  # [s] between two pictures at least; those that come meanwhile are left out
_PATIENCE: Final = 1.0  # [s] for a terminal to take the last picture
_HOME, _TO_END_OF_LINE, _BELOW = "\x1b[H", "\x1b[K", "\x1b[J"
_BELL = "\a"

Draw = Callable[[int, int], Sequence[Text]]


class Painter:
    """Paint the newest picture until it is closed.

    Parameters
    ----------
    descriptor : int
        Of the terminal.
    size : callable
        Columns and rows of the terminal now.
    write : callable
        Takes bytes, returns how many it took; raises OSError when there is no terminal any more.
    """

    def __init__(
        self,
        descriptor: int,
        *,
        size: Callable[[], Sequence[int]] | None = None,
        write: Callable[[bytes], int] | None = None,
    ) -> None:
        self._size = size or (lambda: os.get_terminal_size(descriptor))
        self._write_some = write or (lambda data: os.write(descriptor, data))
        self._style = Console(file=io.StringIO(), force_terminal=True, color_system="standard", legacy_windows=False)
        self._news = threading.Condition()
        self._draw: Draw | None = None
        self._bells = 0
        self._closing = False
        self._shown: tuple[tuple[int, int], list[Text]] = ((0, 0), [])
        self.failure: Exception | None = None  # of drawing, not of the terminal
        self.is_gone = False  # the terminal is
        self.pictures = 0
        self.slowest = 0.0  # picture, writing left out [s]
        self.drawing = 0.0  # all pictures together [s]
        self._thread = threading.Thread(target=self._repeat, name="screen", daemon=True)
        self._thread.start()

    def show(self, draw: Draw, *, bell: bool = False) -> None:
        """Set the function that draws the newest picture for a width and a height; another thread calls it."""
        with self._news:
            self._draw = draw
            self._bells += bell
            self._news.notify()

    def close(self) -> None:
        """Show the last picture, leave the cursor below it; does not wait for a terminal that takes nothing."""
        with self._news:
            self._closing = True
            self._news.notify()
        self._thread.join(_PATIENCE)

    def _repeat(self) -> None:
        try:
            closing = False
            while not closing:
                with self._news:
                    self._news.wait_for(lambda: self._draw is not None or self._closing)
                    draw, bells, closing = self._draw, self._bells, self._closing
                    self._draw, self._bells = None, 0
                if draw is not None:
                    self._paint(draw, bells)
                if not closing:
                    time.sleep(REST)
            if self.pictures:
                self._write(f"\x1b[{self._shown[0][1]};1H\r\n")
        except OSError:
            self.is_gone = True
        except Exception as error:  # noqa: BLE001 - told to whoever records, who goes on without a screen
            self.failure = error

    def _paint(self, draw: Draw, bells: int) -> None:
        begun = time.perf_counter()
        width, height = (told or usual for told, usual in zip(self._size(), USUAL, strict=True))
        lines = list(draw(width, height))
        out = [_BELL] if bells else []
        size, before = self._shown
        if size != (width, height):
            # The first picture pushes up what stands on the screen; after a change of size all of it is new.
            out.append("\n" * height if not before else "")
            out.append(_HOME + _BELOW)
            before = []
        for row, line in enumerate(lines):
            if row >= len(before) or before[row] != line:
                out.append(f"\x1b[{row + 1};1H{self._ansi(line)}{_TO_END_OF_LINE}")
        if len(lines) < len(before):
            out.append(f"\x1b[{len(lines) + 1};1H{_BELOW}")
        self._shown = ((width, height), lines)
        took = time.perf_counter() - begun
        self.pictures += 1
        self.drawing += took
        self.slowest = max(self.slowest, took)
        self._write("".join(out))

    def _ansi(self, line: Text) -> str:
        if not line.plain.isprintable():  # what somebody typed or a board sent must not command a terminal
            line = Text(printable(line.plain))
        with self._style.capture() as captured:
            self._style.print(line, end="", soft_wrap=True)
        return captured.get()

    def _write(self, text: str) -> None:
        data = text.encode(errors="replace")
        while data:
            data = data[self._write_some(data) :]
