"""Read the levels that were taken in a recording: each a mark, and the rows of the seconds before it.

Everything can be computed again from the journals: the marks say when, the samples what.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.bench.settled_level import Level, level_before
from standbook.daq.config.signal_conversion import clipped, open_wire, signal_from_counts
from standbook.daq.config.stand import Input
from standbook.daq.errors import DataError
from standbook.daq.run.run_folder import Run, StreamData

LEVEL_KEY: Final = "level"  # of the marks that are levels; no single key is called so


@dataclass(frozen=True, slots=True)
class RecordedLevel:
    """One level of one input."""

    name: str  # the mark's words
    host_ns: int  # its instant, since 1970, UTC [ns]
    level: Level  # of the input's signal


def recorded_levels(run: Run, tag: str, *, key: str = LEVEL_KEY) -> tuple[RecordedLevel, ...]:
    """Return the levels of one input, in the order in which they were taken; voided ones are left out.

    Parameters
    ----------
    run : Run
        Opened, its files checked.
    tag : str
        Of the input.
    key : str
        Of the marks that are meant.

    Raises
    ------
    DataError
        The stand has no such input, its supply was not recorded, or a level has too few rows that are not clipped.
    RecordError
        A samples file cannot be read.
    """
    marks = sorted((m for m in run.record.marks if m.key == key and not m.struck), key=lambda m: m.host_ns)
    if not marks:
        return ()
    time, signal, origin = signal_of(run, tag)
    found = []
    for mark in marks:
        try:
            level = level_before((mark.host_ns - origin) / 1e9, time, signal)
        except DataError as error:
            raise DataError(f"{run.folder}: {tag}: {mark.text}: {error}, clipped ones left out") from None
        found.append(RecordedLevel(mark.text, mark.host_ns, level))
    return tuple(found)


def signal_of(run: Run, tag: str) -> tuple[NDArray[np.float64], NDArray[np.float64], int]:
    """Return an input's rows that are neither clipped nor of an open wire.

    Returns
    -------
    time, signal : (N,) array
        After the origin [s]; in the unit of the sensor's kind.
    origin : int
        Host time of the first row, since 1970, UTC. [ns]

    Raises
    ------
    DataError
        The stand has no such input, its supply was not recorded, or it has no rows.
    RecordError
        A samples file cannot be read.
    """
    if tag not in {item.tag for item in run.stand.input}:
        raise DataError(f"{run.folder}: no input {tag} was recorded")
    item = run.stand.input_tagged(tag)
    rows = run.stream(item.device, item.stream)
    if not rows.host_ns.size:
        raise DataError(f"{run.folder}: {tag} has no rows")
    origin = int(rows.host_ns[0])
    signal = signal_from_counts(item, rows.counts[tag], supply_of(run, item, rows))
    good = ~(clipped(rows.counts[tag], rows.rails[tag]) | open_wire(item, signal))
    return (rows.host_ns[good] - origin) / 1e9, signal[good], origin


def supply_of(run: Run, item: Input, rows: StreamData) -> float | NDArray[np.float64]:
    """Return the supply of an input at the instants of its rows, (N,) or one. [V].

    Raises
    ------
    DataError
        A channel measures it, and was not recorded or has no calibration.
    """
    if item.supply is None:
        return 1.0
    if (stated := item.stated_supply) is not None:
        return stated.value
    calibration = run.calibrations.get(item.supply)
    source = next((one for one in run.stand.input if one.tag == item.supply), None)
    if calibration is None or source is None:
        raise DataError(f"{run.folder}: {item.tag}: its supply {item.supply} was not recorded with a calibration")
    seen = run.stream(source.device, source.stream)
    volts = calibration.si_reading(signal_from_counts(source, seen.counts[source.tag], 1.0))
    origin = int(seen.host_ns[0])
    return np.asarray(np.interp((rows.host_ns - origin) / 1e9, (seen.host_ns - origin) / 1e9, volts))
