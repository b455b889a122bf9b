"""A readings sheet whose levels were taken from the board: what is to be taken, what was, and the signals of it.

Such a sheet names its recording, ``journal = "2031-06-02_PT-11_levels"``, and its readings carry no signal: level, way,
time. The signal is computed from the recording each time, to the same digits.
"""

import datetime as dt
import re
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from standbook.daq.bench.level_taking import Planned, is_number
from standbook.daq.bench.recorded_levels import RecordedLevel, recorded_levels
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import ConfigError
from standbook.daq.run.run_folder import open_run, read_run_files

LATE = 2.0  # s by which the time of a reading may differ from that of its mark; it is typed in whole ones
_WAYS = ("up", "down")
_UNTAKEN = re.compile(r'\[\s*"([^"\n]*)"\s*,\s*"(up|down)"\s*,?\s*\]')
_TAG = re.compile(r"^tag\s*=.*$", re.MULTILINE)


def planned_levels(values: Mapping[str, Any], name: str) -> tuple[Planned, ...]:
    """Return the levels that a sheet wants taken: readings of two texts, level and way.

    Parameters
    ----------
    values : mapping
        The sheet as TOML has it, not checked otherwise.
    name : str
        What messages call it.

    Raises
    ------
    ConfigError
        A reading that is something else.
    """
    found = []
    for run, place, row in _rows(values):
        texts = row if isinstance(row, list) else []
        number, _, unit = str(texts[0]).strip().partition(" ") if texts else ("", "", "")
        if len(texts) != 2 or texts[1] not in _WAYS or not unit.strip() or not is_number(number):
            raise ConfigError(
                f'{name}: run {run}, reading {place}: a level to be taken is two texts: ["12 bar(g)", "up"]; one that '
                "was read has its time and signal beside them, and is not taken again"
            )
        found.append(Planned(run, number, unit.strip(), texts[1]))
    if not found:
        raise ConfigError(f"{name}: has no [[run]] with readings; write the levels that are to be taken")
    return tuple(found)


def as_if_taken(values: dict[str, Any]) -> dict[str, Any]:
    """Return a sheet of planned levels with a time and a signal for each, so that all else in it can be checked."""
    sensor = values.get("sensor")
    unit = sensor.get("signal_unit") if isinstance(sensor, dict) else None
    for run, place, row in _rows(values):
        seconds = min(3600 * (run - 1) + 10 * place, 86_399)
        clock = f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"
        row += [clock, f"{row[0].split()[0]} {unit}"]
    return values


def with_taken(text: str, journal: str, levels: Sequence[RecordedLevel]) -> str:
    """Return the text of a sheet with the levels that were taken in place of those that were to be.

    Everything else, remarks too, stays as it was typed.
    """
    taken = iter(levels)

    def row(_match: "re.Match[str]") -> str:
        level = next(taken)
        _, _, way, value, unit = level.name.split(" ", 4)
        clock = dt.datetime.fromtimestamp(level.host_ns / 1e9).astimezone()
        return f'["{value} {unit}", "{way}", "{clock:%H:%M:%S}"]'

    filled = _UNTAKEN.sub(row, text)
    return _TAG.sub(lambda tag: f'{tag[0]}\njournal = "{journal}"', filled, count=1)


def signals_filled_in(values: dict[str, Any], campaign: Path, name: str) -> dict[str, Any]:
    """Return a sheet with the signals of its journal, each reading four texts; one without a journal as it is.

    Parameters
    ----------
    values : dict
        The sheet as TOML has it.
    campaign : Path
        Whose ``runs`` folder holds the journal.
    name : str
        What messages call the sheet.

    Raises
    ------
    ConfigError
        A reading with a signal of its own, or readings and levels that do not belong together.
    DataError, RecordError
        The recording cannot be read, or changed since it was sealed.
    """
    journal = values.get("journal")
    if not isinstance(journal, str):
        return values
    if Path(journal).name != journal:
        raise ConfigError(f'{name}: journal: "{journal}" is no folder in {RUNS}; write its name alone')
    if not (campaign / RUNS / journal).is_dir():
        raise ConfigError(f"{name}: journal: {RUNS} has no {journal}")
    rows = list(_rows(values))
    run = open_run(campaign / RUNS / journal)
    levels = recorded_levels(run, str(values.get("tag")))
    if len(levels) != len(rows):
        raise ConfigError(f"{name}: {len(rows)} readings, but {len(levels)} levels were taken in {journal}")
    unit = run.stand.input_tagged(str(values["tag"])).sensor_kind.signal_unit
    for (number, place, row), level in zip(rows, levels, strict=True):
        where = f"{name}: run {number}, reading {place}"
        if not isinstance(row, list) or len(row) != 3:
            raise ConfigError(
                f'{where}: with a journal a reading is three texts, ["12 bar(g)", "up", "09:15:02"]: '
                "its signal is in the recording"
            )
        _check_alike(where, row, level)
        row.append(f"{level.level.mean!r} +/- {level.level.mean_u:.2g} {unit}")
    return values


def is_rehearsed(journal: str | None, campaign: Path) -> bool:
    """Tell whether a sheet's levels come from a simulated board."""
    return journal is not None and read_run_files(campaign / RUNS / journal).info.rehearsal


def _check_alike(where: str, row: Sequence[Any], level: RecordedLevel) -> None:
    """Refuse a reading that is not the level that was taken in its place."""
    clock = dt.datetime.fromtimestamp(level.host_ns / 1e9).astimezone()
    words = level.name.split(" ", 2)[-1]  # "up 12 bar(g)"
    try:
        typed = dt.time.fromisoformat(str(row[2]))
    except ValueError:
        raise ConfigError(f'{where}: "{row[2]}" is not a time; write one like "09:15:02"') from None
    seconds = abs((dt.datetime.combine(clock.date(), typed) - clock.replace(tzinfo=None)).total_seconds())
    if words != f"{row[1]} {row[0]}" or min(seconds, 86_400.0 - seconds) > LATE:
        raise ConfigError(
            f"{where}: {row[1]} {row[0]} at {row[2]}, but what was taken then is {words} at {clock:%H:%M:%S}; "
            "correct the sheet, not the recording"
        )


def _rows(values: Mapping[str, Any]) -> Iterator[tuple[int, int, Any]]:
    """Yield run, place and content of every reading."""
    runs = values.get("run")
    for number, run in enumerate(runs if isinstance(runs, list) else [], start=1):
        readings = run.get("readings") if isinstance(run, dict) else None
        for place, row in enumerate(readings if isinstance(readings, list) else [], start=1):
            yield number, place, row
