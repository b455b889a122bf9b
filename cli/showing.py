"""Show a recording in progress on the live screen or in plain lines, and turn keys into marks.

Used by ``record`` and by ``watch``. A terminal that goes away ends the showing and nothing else.
"""

import datetime as dt
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from rich.console import Console

from standbook.analysis.prediction.live_bands import live_prediction
from standbook.cli.keys import ENTER, KeyMarks, KeyReader
from standbook.cli.live_screen import MOST_NOTES, screen_lines
from standbook.cli.live_words import AlarmBook, Head, Picture, link_alarms
from standbook.cli.look_behind import LookBehind
from standbook.cli.painter import Draw, Painter
from standbook.cli.plain_lines import PlainLines
from standbook.cli.screen import warn
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.errors import DataError, RecordError
from standbook.daq.live.live_model import Live
from standbook.daq.live.live_state import LiveState
from standbook.daq.printable import printable
from standbook.daq.recording.recorder import Watch
from standbook.daq.run.lock import PREDICTION_FILE
from standbook.daq.run.marks import MARKS_FILE, read_marks

_BLOCKS: Final = "█▀▄"


def live_of(
    plan: Plan,
    stand: Stand,
    calibrations: Mapping[str, Calibration],
    folder: Path,
    *,
    started_ns: int,
    rehearsal: bool = False,
) -> tuple[Live, str]:
    """Build the live model of a run, with the bands of its locked prediction, and the sentence on trouble with these.

    Parameters
    ----------
    plan, stand, calibrations
        As locked.
    folder : Path
        The run's, with its prediction if there is one.
    started_ns : int
        When recording began, monotonic. [ns]
    rehearsal : bool
        The run is one.

    Notes
    -----
    A prediction that cannot be read holds up no recording: it is shown without bands.
    """
    path, prediction, trouble = folder / PREDICTION_FILE, None, ""
    try:
        if path.exists():
            prediction = live_prediction(path.read_text(encoding="utf-8"), plan, stand, calibrations)
    except (DataError, OSError, UnicodeError) as error:
        trouble = f"no predicted bands are shown: {error}"
    live = Live(
        plan,
        stand,
        calibrations,
        started_ns=started_ns,
        bands=prediction.bands if prediction else None,
        expelled_weight=prediction.expelled_weight if prediction else None,
        rehearsal=rehearsal,
    )
    return live, trouble


def started_at(created: dt.datetime) -> int:
    """Convert a wall-clock instant of another process to monotonic time. [ns]."""
    return time.monotonic_ns() - round((dt.datetime.now(dt.UTC) - created).total_seconds() * 1e9)


def is_screen(*, plain: bool) -> bool:
    """Tell whether standard output can hold the live screen: a terminal that can move its cursor."""
    console = Console()
    return not plain and console.is_terminal and not console.is_dumb_terminal and not console.legacy_windows


class Showing:
    """Show a recording until it is closed.

    Parameters
    ----------
    live : Live
        Fed by whoever records.
    head : Head
        What stays the same.
    folder : Path
        The run's; its marks are shown.
    plain : bool
        Lines, not a screen.
    keys, marks : KeyReader and KeyMarks, optional
        Where this screen takes keys.
    look : LookBehind, optional
        Takes the quick look once the run is over.
    """

    def __init__(
        self,
        live: Live,
        head: Head,
        folder: Path,
        *,
        plain: bool,
        keys: KeyReader | None = None,
        marks: KeyMarks | None = None,
        look: LookBehind | None = None,
    ) -> None:
        self._live, self._head, self._marks_path = live, head, folder / MARKS_FILE
        self._keys, self._marks, self._look = keys, marks, look
        self._book = AlarmBook()
        self._told: tuple[str, ...] = ()  # the newest
        self._told_before = 0
        self._lost_mark: dict[str, str] = {}
        self._is_open = True
        self._marks_seen: tuple[int, int] | None = None
        self._blocks = _can_show(_BLOCKS)
        self.painter: Painter | None = None
        self._lines: PlainLines | None = None
        if plain:
            self._lines = PlainLines(_print)
        else:
            sys.stdout.flush()
            self.painter = Painter(sys.stdout.fileno())

    @property
    def is_gone(self) -> bool:
        """Tell whether nobody can see the output any more."""
        out = self.painter or self._lines
        return out is not None and out.is_gone

    def tell(self, sentence: str) -> None:
        """Print a sentence at once: on the screen, or on standard error where no screen stands in the way."""
        if self.painter is not None and self._is_open:
            self._told = (*self._told, sentence)
            self._told_before += max(0, len(self._told) - MOST_NOTES)
            self._told = self._told[-MOST_NOTES:]
        else:
            warn(sentence)

    def report(self, watch: Watch) -> None:
        """Show the current state and process the keys pressed."""
        try:
            self._press()
            self._show_marks()
            if self.is_gone:
                return
            self._show(watch)
        except Exception:
            self.close()  # the terminal belongs to the words that follow
            raise

    def close(self) -> None:
        """Stop, and leave the last picture on the screen."""
        if self._look is not None:
            self._look.close()
        if self._is_open and self.painter is not None:
            self.painter.close()
        self._is_open = False

    def _show(self, watch: Watch) -> None:
        state = self._live.state(time.monotonic_ns())
        self._tell_look(state)
        told = {sentence: sentence for sentence in state.alarms}
        links = link_alarms(watch.links, watch.disk, watch.played_out)
        alarms, new, over = self._book.take(links, self._lost_mark, ordered=told)
        picture = Picture(
            head=self._head,
            state=state,
            links=watch.links,
            disk=watch.disk,
            alarms=alarms,
            newest=self._book.newest,
            acknowledged=self._book.acknowledged,
            notices=self._told,
            earlier_notices=self._told_before,
        )
        if self._lines is not None:
            self._lines.show(picture, new, over)
        if self.painter is not None:
            if self.painter.failure is not None:
                raise self.painter.failure
            self.painter.show(self._drawing(picture), bell=bool(new))

    def _tell_look(self, state: LiveState) -> None:
        """Say the quick look when it has come: all of it in lines, its word where a screen has little room."""
        lines = self._look.poll(state) if self._look is not None else ()
        if self.painter is None:
            for line in lines:
                self.tell(f"QUICK LOOK, provisional: {line}")
        elif lines:
            self.tell(f"QUICK LOOK suggests {lines[-1][2:]} All five sentences: standbook quick, in another terminal")

    def _drawing(self, picture: Picture) -> Draw:
        return lambda width, height: screen_lines(picture, width, height, blocks=self._blocks)

    def _press(self) -> None:
        if self._keys is None or self._marks is None:
            return
        for key in self._keys.pressed():
            if key.text in ENTER:
                self._book.acknowledge()
                continue
            try:
                self._marks.press(key)
            except RecordError as error:
                self._lost_mark = {"mark": f"mark not kept: {error}"}

    def _show_marks(self) -> None:
        if self._marks is not None:
            self._live.show_marks(self._marks.log.marks)
            return
        try:
            found = self._marks_path.stat()
        except OSError:
            return
        if self._marks_seen != (found.st_mtime_ns, found.st_size):
            self._marks_seen = (found.st_mtime_ns, found.st_size)
            self._live.show_marks(read_marks(self._marks_path))


def _print(text: str) -> None:
    sys.stdout.write(f"{printable(text)}\n")
    sys.stdout.flush()


def _can_show(text: str) -> bool:
    try:
        text.encode(sys.stdout.encoding or "ascii")
    except (UnicodeError, LookupError):
        return False
    return True
