"""Follow the signal of one input while it is recorded, and say whether it stands. No file, no clock of its own."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.daq.bench.settled_level import LENGTH, Level, level_before
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import LineEdgeName
from standbook.daq.config.signal_conversion import Rails, clipped, open_wire, signal_from_counts
from standbook.daq.config.stand import Input, Stand
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.live.channel_monitor import Ring
from standbook.daq.live.intake import Intake
from standbook.daq.live.live_clock import Moment
from standbook.daq.recording.journal_follower import Taken

KEPT = 2.0 * LENGTH  # s
STALE = 1.0  # s of the computer without a row, after which nothing stands
SUPPLY_OVER = 1.0  # s of a supply's newest rows, where it hangs on another stream


@dataclass(frozen=True, slots=True)
class Standing:
    """A signal at this moment."""

    level: Level | None  # of the newest seconds
    why_not: str  # it cannot be taken; empty where it can


class LiveLevel:
    """The newest seconds of one input's signal.

    Parameters
    ----------
    stand : Stand
        Has the input, and the one that measures its supply.
    tag : str
        Of the input.
    calibrations : mapping of tag to Calibration
        Of the supply at least, where a channel measures it.
    intakes : mapping of device to Intake, optional
        That somebody else feeds, for several inputs at once.

    Raises
    ------
    ConfigError
        The stand has no such input, or its supply no calibration.
    """

    def __init__(
        self,
        stand: Stand,
        tag: str,
        calibrations: Mapping[str, Calibration],
        intakes: Mapping[str, Intake] | None = None,
    ) -> None:
        inputs = {item.tag: item for item in stand.input}
        if tag not in inputs:
            raise ConfigError(f"stand {stand.name}: no input {tag}; it has {', '.join(sorted(inputs))}")
        self._item = inputs[tag]
        self._supply = None if self._item.is_supply_stated else inputs.get(self._item.supply or "")
        if self._supply is not None and self._supply.tag not in calibrations:
            raise ConfigError(f"{tag}: its supply {self._supply.tag} has no calibration; state the supply, or make one")
        self._supply_calibration = calibrations.get(self._supply.tag) if self._supply is not None else None
        needed = [item for item in (self._item, self._supply) if item is not None]
        devices = {item.device for item in needed}
        self._intakes = _intakes(stand, needed) if intakes is None else {name: intakes[name] for name in devices}
        self._ring: Ring | None = None
        self._seen: int | None = None  # ticks of the newest row taken over
        self._time: NDArray[np.float64] = np.empty(0)  # of the device [s]
        self._signal: NDArray[np.float64] = np.empty(0)
        self._good: NDArray[np.bool_] = np.empty(0, np.bool_)
        self._span: tuple[float, float] | None = None  # lowest and highest level taken
        self._calibration = calibrations.get(tag)
        # of the signal where its calibration tells it: a small share of it is no movement
        self.range = 0.0 if self._calibration is None else _range(self._calibration)

    @property
    def tag(self) -> str:
        """The input's."""
        return self._item.tag

    @property
    def devices(self) -> frozenset[str]:
        """Boards that must be recorded for it."""
        return frozenset(self._intakes)

    @property
    def span(self) -> float:
        """Between the lowest and the highest level taken so far."""
        return 0.0 if self._span is None else self._span[1] - self._span[0]

    @property
    def newest_ns(self) -> int | None:
        """When the newest row was taken, on the computer's monotonic clock; ``None`` before the first. [ns]."""
        if self._ring is None or self._ring.newest is None:
            return None
        return self._ring.base.host_ns(self._ring.newest)

    def take(self, taken: Taken) -> None:
        """Take in one piece of one device; pieces of a device come in the order of its bytes."""
        if taken.device in self._intakes:
            self._intakes[taken.device].take(taken)
            self.follow()

    def follow(self) -> None:
        """Take over the rows that the intakes have got since the last time."""
        ring = self._ring_of(self._item)
        if ring is None or self._item.wire not in ring.names:
            return
        if ring is not self._ring:  # the board started again, or its layout changed
            self._ring, self._seen = ring, None
            self._time, self._signal, self._good = np.empty(0), np.empty(0), np.empty(0, np.bool_)
        rows = ring.since(ring.ticks[0] if self._seen is None else self._seen + 1) if ring.ticks.size else slice(0, 0)
        if rows.start >= rows.stop:
            return
        self._seen = ring.newest
        self._add(ring, rows)

    def told(self, level: Level) -> str:
        """Say what a level is: as its calibration reads it, else the signal."""
        c = self._calibration
        if c is None:
            return f"{level.mean:.6g} {self._item.sensor_kind.signal_unit}"
        reading = float(c.reading(np.array([level.mean]))[0])
        return f"{_short(reading, c.highest - c.lowest)} {c.reading_unit}"

    def _change(self, level: Level) -> Callable[[float], str]:
        """Return what writes a change of the signal near a level with a unit."""
        c = self._calibration
        if c is None:
            return lambda change: f"{change:.2g} {self._item.sensor_kind.signal_unit}"
        unit = c.reading_unit.partition("(")[0]  # a difference is neither absolute nor gauge

        def told(change: float) -> str:
            ends = c.reading(np.array([level.mean, level.mean + change]))
            return f"{abs(float(ends[1] - ends[0])):.2g} {unit}"

        return told

    def standing(self, now_ns: int, unfelt: float = 0.0) -> Standing:
        """Return the level that the newest seconds are, or why they are none, at an instant of the monotonic clock.

        ``unfelt`` is a change of the signal that whoever takes the level does not feel.
        """
        if not self._time.size or self.newest_ns is None:
            return Standing(None, "no rows yet")
        if (age := (now_ns - self.newest_ns) / 1e9) > STALE:
            return Standing(None, f"no rows for {age:.1f} s")
        end = float(self._time[-1])
        try:
            level = level_before(end, self._time[self._good], self._signal[self._good])
        except DataError as error:
            return Standing(None, str(error))
        why_not = level.unsettled(max(self.span, self.range), unfelt=unfelt, told=self._change(level))
        return Standing(level, why_not)

    def note_taken(self, level: Level) -> None:
        """Note a level that was taken: what counts as a change is a share of their span."""
        low, high = self._span or (level.mean, level.mean)
        self._span = (min(low, level.mean), max(high, level.mean))

    def _add(self, ring: Ring, rows: slice) -> None:
        column = ring.names.index(self._item.wire)
        counts, rails = ring.counts[rows, column], ring.rails[column]
        signal = signal_from_counts(self._item, counts, self._volts(ring, rows))
        good = np.isfinite(signal) & ~open_wire(self._item, signal) & ~_at_rail(counts, rails)
        self._time = np.concatenate((self._time, ring.ticks[rows] / ring.base.tick_hz))
        self._signal, self._good = np.concatenate((self._signal, signal)), np.concatenate((self._good, good))
        kept = self._time >= self._time[-1] - KEPT
        self._time, self._signal, self._good = self._time[kept], self._signal[kept], self._good[kept]

    def _volts(self, ring: Ring, rows: slice) -> NDArray[np.float64] | float:
        if self._supply is None or self._supply_calibration is None:
            stated = self._item.stated_supply
            return 1.0 if stated is None else stated.value
        source = self._ring_of(self._supply)
        if source is None or self._supply.wire not in source.names or source.newest is None:
            return math.nan
        if source is not ring:
            rows = source.since(source.newest - source.base.span(SUPPLY_OVER))
        counts = source.counts[rows, source.names.index(self._supply.wire)]
        volts = self._supply_calibration.si_reading(signal_from_counts(self._supply, counts, 1.0))
        return volts if source is ring else float(np.mean(volts))

    def _ring_of(self, item: Input) -> Ring | None:
        intake = self._intakes[item.device]
        return intake.rings.get("" if intake.device.text_lines is not None else item.stream)


class LiveLevels:
    """The newest seconds of several inputs, each board's bytes taken apart once.

    Parameters
    ----------
    stand : Stand
        Has the inputs, and those that measure their supplies.
    tags : sequence of str
        Of the inputs.
    calibrations : mapping of tag to Calibration
        Of the supplies at least.
    edge : LineEdgeName, optional
        Of a line, that is counted.

    Raises
    ------
    ConfigError
        The stand has no such input, or a supply no calibration.
    """

    def __init__(
        self,
        stand: Stand,
        tags: Sequence[str],
        calibrations: Mapping[str, Calibration],
        edge: LineEdgeName | None = None,
    ) -> None:
        self._edge, self._moments = edge, list[Moment]()
        self._intakes = _intakes(stand, stand.input, edge)
        self.of: Mapping[str, LiveLevel] = {tag: LiveLevel(stand, tag, calibrations, self._intakes) for tag in tags}

    @property
    def newest_ns(self) -> int | None:
        """When the newest row of the slowest input was taken, on the monotonic clock. [ns]."""
        newest = [level.newest_ns for level in self.of.values()]
        known = [one for one in newest if one is not None]
        return min(known) if known else None

    @property
    def edges(self) -> int:
        """Edges of the line so far, until the newest row: a key counts as pressed on that one."""
        newest = self.newest_ns
        return 0 if newest is None else sum(moment.host_ns <= newest for moment in self._moments)

    def take(self, taken: Taken) -> None:
        """Take in one piece of one device; pieces of a device come in the order of its bytes."""
        if taken.device in self._intakes:
            found = self._intakes[taken.device].take(taken)
            self._moments += [one for one, high in found if self._edge is not None and high == self._edge.rising]
            for level in self.of.values():
                if taken.device in level.devices:
                    level.follow()


def _range(calibration: Calibration) -> float:
    """Return the range of the signal over which an input is calibrated."""
    ends = calibration.signal(np.array([calibration.lowest, calibration.highest]))
    return abs(float(ends[1] - ends[0]))


def _short(value: float, span: float) -> str:
    """Write an indicated value to a thousandth of its span or so."""
    decimals = max(0, 3 - math.ceil(math.log10(span))) if span > 0.0 else 2
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def _intakes(stand: Stand, inputs: Sequence[Input], edge: LineEdgeName | None = None) -> dict[str, Intake]:
    """Return what takes apart the bytes of each board that the inputs, or a line whose edges count, hang on."""
    lines = {} if edge is None else {edge.device: edge.line}
    return {
        name: Intake(
            stand.device_named(name), lines.get(name), streams={item.stream for item in inputs if item.device == name}
        )
        for name in {item.device for item in inputs} | lines.keys()
    }


def _at_rail(counts: NDArray[np.float64], rails: Rails | None) -> NDArray[np.bool_]:
    if rails is None:
        return np.zeros(counts.shape, np.bool_)
    return clipped(counts.astype(np.int64), rails)
