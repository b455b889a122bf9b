"""Choose what is exported of a run, and name each file after run and revision."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

from standbook.analysis.export.csv_files import channels_csv, thrust_csv
from standbook.analysis.export.matlab import matlab_file
from standbook.analysis.export.shown_columns import shown_frame
from standbook.analysis.export.thrust_table import thrust_table_csv
from standbook.analysis.export.workbook import workbook
from standbook.analysis.opened_run import Run
from standbook.daq.config import measurands
from standbook.daq.display_units import Chosen, chosen_units
from standbook.daq.errors import DataError, UsageError

KINDS = ("csv", "xlsx", measurands.THRUST, "mat")


class Exported(NamedTuple):
    """One file."""

    name: str
    content: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Export:
    """What is asked for."""

    kinds: Sequence[str] = ("csv",)
    tags: Sequence[str] | None = None  # channels; all of them
    start: float | None = None  # first and last instant of channels [s]
    end: float | None = None
    vacuum: bool = False  # the thrust table referred to vacuum, not at site ambient
    rows: int = 500  # of the thrust table, at most
    units: Chosen = field(default_factory=dict)  # by dimension, in place of those that the run's stand displays


def exported(run: Run, asked: Export) -> tuple[Exported, ...]:
    """Make the files.

    Raises
    ------
    UsageError
        A kind of file that there is not.
    DataError
        A channel that the run does not have, a window outside its record, or a thrust table without thrust.
    RecordError
        The run is not analysed and the kind needs results.
    """
    if unknown := [kind for kind in asked.kinds if kind not in KINDS]:
        raise UsageError(f"--as {unknown[0]}: write some of {', '.join(KINDS)}")
    chosen = {**run.record.stand.display.chosen, **asked.units}
    frame = shown_frame(run.frame(asked.tags, start=asked.start, end=asked.end), chosen)
    if frame.empty:
        raise DataError(f"{run.folder}: no row between {asked.start} and {asked.end} s after T-0")
    base = f"{run.record.info.number}_{f'rev-{run.results.revision}' if run.is_analysed else 'not-analysed'}"
    found: list[Exported] = []
    for kind in dict.fromkeys(asked.kinds):
        if kind == "csv":
            found += _with_metadata(f"{base}_channels.csv", *channels_csv(run, frame))
            if _has_thrust(run):
                found += _with_metadata(f"{base}_thrust-full.csv", *thrust_csv(run, chosen))
        elif kind == "xlsx":
            found.append(Exported(f"{base}.xlsx", workbook(run, frame, chosen)))
        elif kind == measurands.THRUST:
            table = thrust_table_csv(run, rows=asked.rows, vacuum=asked.vacuum, chosen=chosen)
            place = "vacuum" if asked.vacuum else "site"
            found += _with_metadata(f"{base}_thrust-{place}.csv", *table)
        else:
            found.append(Exported(f"{base}.mat", matlab_file(run, frame, chosen)))
    return tuple(found)


def export(
    run: Run, *kinds: str, tags: Sequence[str] | None = None, vacuum: bool = False, units: str = ""
) -> tuple[Exported, ...]:
    """Return a run as files of some kinds, of ``KINDS``: names and bytes; as for :func:`exported`.

    ``units`` is ``"psi,lbf"``; ``ValueError`` where it holds something else than units, or two of one dimension.
    """
    chosen = chosen_units(units) if units else {}
    return exported(run, Export(kinds=kinds or ("csv",), tags=tags, vacuum=vacuum, units=chosen))


def _with_metadata(name: str, table: bytes, metadata: bytes) -> list[Exported]:
    return [Exported(name, table), Exported(f"{name}-metadata.json", metadata.replace(b"NAME.csv", name.encode()))]


def _has_thrust(run: Run) -> bool:
    return run.is_analysed and run.results.impulse is not None
