"""Log the marks of the crew: one line of JSON each, appended to the run's file and forced to disk, never changed.

A mark taken back is voided by a line of its own; both stay. Times are those of the computer's three clocks.
A line torn by a crash is left out when reading, and the next mark begins a line of its own.
"""

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from standbook.daq.errors import RecordError
from standbook.daq.host_clock import Clocks
from standbook.daq.regular_file import read_regular
from standbook.daq.storage.durable_file import reason, sync_folder

MARKS_FILE: Final = "marks.jsonl"  # in the run folder
LATEST_NS: Final = 2**62  # of any clock: the year 2116, beyond which sums overflow [ns]


@dataclass(frozen=True, slots=True, kw_only=True)
class CrewMark:
    """One mark, as it was dropped."""

    number: int  # of its line, counted from 1
    text: str
    key: str  # of the plan's mark; empty for one without
    by: str  # which screen
    monotonic_ns: int  # [ns]
    boottime_ns: int  # [ns]
    wall_ns: int  # since 1970, UTC [ns]
    struck: bool = False


class MarkLog:
    """Append-only log of the marks of one run.

    Parameters
    ----------
    path : Path
        ``RUN/marks.jsonl``; made with the first mark.
    clocks : Clocks
        Read when a mark is dropped.
    """

    def __init__(self, path: Path, clocks: Clocks) -> None:
        self._path, self._clocks = path, clocks
        self._lines, self.marks = _read(path)

    def drop(self, text: str, *, key: str = "", by: str = "screen") -> CrewMark:
        """Write a mark; it is on the disk on return.

        Raises
        ------
        RecordError
            The disk did not take it.
        """
        number = self._append({"text": text, "key": key, "by": by})
        return next(mark for mark in self.marks if mark.number == number)

    def strike(self, number: int, *, by: str = "screen") -> None:
        """Void a mark; it stays in the file. Voiding twice changes nothing.

        Raises
        ------
        RecordError
            There is no such mark, or the disk did not take the line.
        """
        mark = next((mark for mark in self.marks if mark.number == number), None)
        if mark is None:
            raise RecordError(f"{self._path.name}: there is no mark {number} to void")
        if not mark.struck:
            self._append({"strikes": number, "by": by})

    def _append(self, words: Mapping[str, Any]) -> int:
        now = self._clocks.now()
        number = self._lines + 1
        line = {
            "n": number,
            **words,
            "monotonic_ns": now.monotonic_ns,
            "boottime_ns": now.boottime_ns,
            "wall_ns": now.wall_ns,
        }
        try:
            new = not self._path.exists()
            with self._path.open("ab+") as file:
                if file.tell():
                    file.seek(-1, os.SEEK_END)
                    torn = file.read(1) != b"\n"
                    file.write(b"\n" if torn else b"")
                file.write(json.dumps(line, ensure_ascii=False).encode() + b"\n")
                file.flush()
                os.fsync(file.fileno())
            if new:
                sync_folder(self._path.parent)
        except OSError as error:
            raise RecordError(f"{self._path}: cannot write the mark: {reason(error)}") from error
        self._lines = number
        self.marks = _with(self.marks, line)
        return number


def read_marks(path: Path) -> tuple[CrewMark, ...]:
    """Read the marks of a run, voided ones included; no file means none.

    Raises
    ------
    RecordError
        The file cannot be read.
    """
    return _read(path)[1]


def _read(path: Path) -> tuple[int, tuple[CrewMark, ...]]:
    """Give the highest line number and the marks."""
    try:
        content = read_regular(path)
    except FileNotFoundError:
        return 0, ()
    except OSError as error:
        raise RecordError(f"{path}: cannot read the marks: {reason(error)}") from error
    marks: tuple[CrewMark, ...] = ()
    highest = 0
    for text in content.split(b"\n"):
        try:
            line = json.loads(text)
            marks = _with(marks, line)
            highest = max(highest, int(line["n"]))
        except (ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError):
            # torn, or not ours; it stays where it is
            continue
    return highest, marks


def _with(marks: tuple[CrewMark, ...], line: Mapping[str, Any]) -> tuple[CrewMark, ...]:
    """Add what one line says."""
    if "strikes" in line:
        struck = int(line["strikes"])
        return tuple(replace(mark, struck=True) if mark.number == struck else mark for mark in marks)
    monotonic, boottime, wall = (int(line[name]) for name in ("monotonic_ns", "boottime_ns", "wall_ns"))
    if any(abs(time) > LATEST_NS for time in (monotonic, boottime, wall)):
        raise OverflowError("no clock reads this")
    key, by = (str(line.get(name, "")) for name in ("key", "by"))
    return (
        *marks,
        CrewMark(
            number=int(line["n"]),
            text=str(line["text"]),
            key=key,
            by=by,
            monotonic_ns=monotonic,
            boottime_ns=boottime,
            wall_ns=wall,
        ),
    )
