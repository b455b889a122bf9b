"""Inject sensor and clock faults into the table of counts that a simulated device plays.

Pure. Sensor faults change counts from an instant on; the table that comes out is what the device measures, so it is the
truth that a record is held to.
"""

import dataclasses
from collections.abc import Iterable, Sequence

import numpy as np

from standbook.daq.config.sensor_kinds import SENSOR_KINDS
from standbook.daq.config.stand import Input
from standbook.daq.errors import UsageError
from standbook.daq.rehearsal.fault_catalogue import ClockOff, Rollover
from standbook.daq.rehearsal.script import PlayedStream, Table
from standbook.daq.rehearsal.sensor_faults import Clip, Fault, FrozenLine, Saturation, SensorFault, Spike, SupplySag
from standbook.daq.wire.messages import MODULUS


def faulty_table(table: Table, faults: Sequence[Fault], inputs: Iterable[Input] = ()) -> Table:
    """Return the table as a device with these faults measures it.

    Parameters
    ----------
    table : Table
        As without faults.
    faults : sequence of Fault
        Sensor faults, a clock that is off or rolls over. The rest is others' business.
    inputs : iterable of Input
        The stand's: they say which channel a tag is.

    Raises
    ------
    UsageError
        A fault names a tag that the table does not play.
    """
    wires = {item.tag: item for item in inputs if item.device == table.device}
    for fault in faults:
        if isinstance(fault, SensorFault):
            table = _with_sensor_fault(table, fault, wires)
        if isinstance(fault, SupplySag):
            for item in wires.values():
                table = _with_sensor_fault(table, fault, wires, item) if item.supply == fault.tag else table
    for fault in faults:
        if isinstance(fault, ClockOff):
            table = _at_rate(table, 1.0 + fault.rate)
    for fault in faults:
        if isinstance(fault, Rollover):
            table = dataclasses.replace(table, start_ticks=(-round(fault.at * table.tick_hz)) % MODULUS)
    return table


def _with_sensor_fault(table: Table, fault: SensorFault, wires: dict[str, Input], item: Input | None = None) -> Table:
    """Do it to the fault's own tag, or to another input that it reaches."""
    item = item or wires.get(fault.tag)
    for index, stream in enumerate(table.streams):
        names = [channel.name for channel in stream.channels]
        if item is not None and stream.name == item.stream and item.wire in names:
            changed = _failed(table, stream, names.index(item.wire), fault, item)
            return dataclasses.replace(table, streams=(*table.streams[:index], changed, *table.streams[index + 1 :]))
    raise UsageError(
        f'--fault: the rehearsal plays no tag "{fault.tag}"; there are {", ".join(sorted(wires)) or "none"}'
    )


def _failed(table: Table, stream: PlayedStream, column: int, fault: SensorFault, item: Input) -> PlayedStream:
    rate = table.tick_hz / stream.interval_ticks
    start = round(min(fault.at * rate, stream.rows))
    end = round(min((fault.at + fault.seconds) * rate, stream.rows))
    if isinstance(fault, Spike):  # on the slowest board too
        end = max(end, min(start + 1, stream.rows))
    channel = stream.channels[column]
    counts = stream.counts.copy()
    if isinstance(fault, FrozenLine):
        held = counts[max(0, start - 1), column]
    elif isinstance(fault, Clip | Spike):
        held = channel.maximum
    elif isinstance(fault, SupplySag):
        counts[start:end, column] = np.rint(counts[start:end, column] * (1.0 - fault.level / 100.0))
        return dataclasses.replace(stream, counts=counts)
    elif isinstance(fault, Saturation):
        rest, top = np.int64(counts[0, column]), np.int64(counts[:, column].max())
        level = rest + round(fault.level / 100.0 * float(top - rest))
        counts[start:end, column] = np.minimum(counts[start:end, column], level)
        return dataclasses.replace(stream, counts=counts)
    else:  # zero volts, or a rail where an amplifier is left alone
        held = channel.minimum if SENSOR_KINDS[item.kind].is_open_at_rail else max(0, channel.minimum)
    counts[start:end, column] = held
    return dataclasses.replace(stream, counts=counts)


def _at_rate(table: Table, rate: float) -> Table:
    """Measure the same world with a clock that is fast or slow: ``rate`` device seconds in a real one.

    Each row takes the value of the nearest instant; the record becomes as much longer or shorter.
    """
    streams = []
    for stream in table.streams:
        rows = max(1, round(stream.rows * rate))
        nearest = np.minimum(np.rint(np.arange(rows) / rate).astype(np.int64), stream.rows - 1)
        streams.append(dataclasses.replace(stream, counts=stream.counts[nearest]))
    edges = tuple(dataclasses.replace(edge, ticks=round(edge.ticks * rate)) for edge in table.edges)
    return dataclasses.replace(table, streams=tuple(streams), edges=edges)
