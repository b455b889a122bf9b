"""Calibrate the columns of a samples file: which columns of a stream can be read, their readings, rows with both.

Readings are in the calibrations' own units, for readers without our code; the analysis starts from counts. The same
path serves the rows of the journals and rows that a second recorder kept. No file is touched.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.config.calibration import Calibration, to_si
from standbook.daq.config.printed_counts import printed
from standbook.daq.config.signal_conversion import signal_from_counts
from standbook.daq.config.stand import Input, Stand
from standbook.daq.quantity import parse_quantity
from standbook.daq.recovery.decode_wire import Channel, DecodedDevice, Stream, StreamSegment
from standbook.daq.run.run_folder import RunFiles
from standbook.daq.run.samples_file import ROW_GROUP, Column, Piece


@dataclass(frozen=True, slots=True, eq=False)
class Supply:
    """Readings of a supply in time order, for scaling other channels."""

    host_ns: Ints
    volts: NDArray[np.float64]

    def at(self, host_ns: Ints) -> NDArray[np.float64]:
        """Interpolate linearly between samples; exact where the samples coincide."""
        origin = int(self.host_ns[0])
        return np.asarray(np.interp((host_ns - origin) / 1e9, (self.host_ns - origin) / 1e9, self.volts))


@dataclass(frozen=True, slots=True)
class Tagged:
    """One column of a stream with its input and calibration."""

    place: int
    resolution: float  # of one recorded count, in what the stand and the calibration take for counts
    item: Input
    calibration: Calibration

    def signal(self, counts: NDArray[np.integer], supply: float | NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn the stream's counts into this column's signal."""
        told: NDArray[np.int64] | NDArray[np.float64] = counts[:, self.place].astype(np.int64)
        if self.resolution != 1.0:  # a device that prints numbers; a converter's counts are whole
            told = printed(counts[:, self.place].astype(np.int64), self.resolution)
        return signal_from_counts(self.item, told, supply)


def tagged_columns(channels: Sequence[Channel], device: str, told: str, files: RunFiles) -> list[Tagged]:
    """Find the columns that have a calibration.

    Parameters
    ----------
    channels : sequence of Channel
        All columns of the stream, in order.
    device, told : str
        Device, and the stream as the device calls it: one whose layout changed on the way keeps its inputs.
    files : RunFiles
        Stand and calibrations.
    """
    inputs = _inputs(device, told, files.stand)
    found = []
    for place, channel in enumerate(channels):
        item = inputs.get(channel.wire)
        calibration = files.calibrations.get(item.tag) if item is not None else None
        if item is not None and calibration is not None:
            found.append(Tagged(place, channel.resolution, item, calibration))
    return found


def _inputs(device: str, told: str, stand: Stand) -> dict[str, Input]:
    """Map wire names to the stand's inputs."""
    return {item.wire: item for item in stand.input if (item.device, item.stream) == (device, told)}


def needed_supplies(stand: Stand) -> set[str]:
    """List the supplies that inputs are scaled by."""
    return {item.supply for item in stand.input if item.supply}


def supply_of(one: Tagged, counts: Sequence[NDArray[np.integer]], host_ns: Ints) -> Supply:
    """Compute the readings of a supply; ``counts`` are pieces of (N, C), ``host_ns`` the times of all their rows."""
    signal = np.concatenate([one.signal(piece, 1.0) for piece in counts])
    return Supply(host_ns, to_si(one.calibration.reading(signal), one.calibration))


def with_supply(tagged: Sequence[Tagged], supplies: Mapping[str, Supply]) -> list[Tagged]:
    """Remove the columns whose supply was not recorded."""
    return [one for one in tagged if not one.item.supply or one.item.is_supply_stated or one.item.supply in supplies]


def readings_of(
    tagged: Sequence[Tagged], counts: NDArray[np.integer], host_ns: Ints, supplies: Mapping[str, Supply]
) -> dict[str, NDArray[np.float64]]:
    """Compute the readings of calibrated columns, in the calibrations' own units."""
    found = {}
    for one in tagged:
        supply: float | NDArray[np.float64] = 1.0
        if one.item.supply and one.item.supply in supplies:
            supply = supplies[one.item.supply].at(host_ns)
        elif one.item.supply:
            supply = parse_quantity(one.item.supply, "voltage").value
        reading = one.calibration.reading(one.signal(counts, supply))
        if one.item.sensor_kind.is_voltage:
            two = signal_from_counts(one.item, np.array([0.0, one.resolution]), float(np.mean(supply)))
            step = np.diff(one.calibration.reading(two))[0]
            reading = coarsened(reading, float(step))
        found[one.item.tag] = reading
    return found


def coarsened(reading: NDArray[np.float64], step: float) -> NDArray[np.float64]:
    """Round readings to the power of two at or below 1/64 of what one count moves them by.

    Digits below that are noise of the arithmetic, but cost as much disk as the counts themselves. The error is
    at most 1/128 of a count, and counts stand beside it.
    """
    if not np.isfinite(step) or step == 0.0:
        return reading
    quantum = 2.0 ** np.floor(np.log2(abs(step) / 64.0))
    rounded: NDArray[np.float64] = np.rint(reading / quantum) * quantum
    return rounded


def host_times(device: DecodedDevice, rows: StreamSegment) -> Ints:
    """Return the host time of each row of a segment. (N,) [ns]."""
    assert device.clock is not None  # noqa: S101 - where there are rows there is a clock
    return device.clock.to_host_ns(rows.key, rows.ticks)


def pieces_of(
    device: DecodedDevice, stream: Stream, tagged: Sequence[Tagged], supplies: Mapping[str, Supply]
) -> Iterator[Piece]:
    """Give the rows of a decoded stream, ready to write, ``ROW_GROUP`` at most at a time."""
    for rows in stream.segments:
        host_ns = host_times(device, rows)
        for start in range(0, rows.sequence.size, ROW_GROUP):
            part = slice(start, start + ROW_GROUP)
            counts = rows.counts[part]
            yield Piece(
                sequence=rows.sequence[part],
                boot=rows.boot,
                ticks=rows.ticks[part],
                host_ns=host_ns[part],
                counts=counts,
                readings=readings_of(tagged, counts, host_ns[part], supplies),
            )


def columns_of(
    channels: Sequence[Channel], device: str, told: str, stand: Stand, tagged: Sequence[Tagged]
) -> tuple[Column, ...]:
    """Describe the columns of a samples file."""
    inputs = _inputs(device, told, stand)
    calibrated = {one.place: one.calibration for one in tagged}
    return tuple(
        _column(channel, inputs.get(channel.wire), calibrated.get(place)) for place, channel in enumerate(channels)
    )


def _column(channel: Channel, item: Input | None, calibration: Calibration | None) -> Column:
    return Column(
        wire=channel.wire,
        tag=item.tag if item is not None else None,
        type=channel.type,
        minimum=channel.minimum,
        maximum=channel.maximum,
        resolution=channel.resolution,
        skew=channel.skew,
        latency=channel.latency,
        reading_unit=calibration.reading_unit if calibration is not None else None,
        calibration=calibration.name if calibration is not None else None,
    )
