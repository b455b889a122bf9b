"""The rows of a simulated board while somebody sets one level after another on the bench.

Each level is approached as a hand pump or a load does it, and held; the sensor follows its calibration, off by a little
of its span and with a small loop. All other inputs rest.
"""

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.signal_conversion import counts_from_signal
from standbook.daq.config.stand import Input, Stand
from standbook.daq.errors import ConfigError
from standbook.daq.rehearsal.script import PlayedStream, Table
from standbook.daq.wire.hello import TYPE_RANGES, WireChannel

TICK_HZ, ROWS_A_SECOND = 1_000_000, 100
HOLD = 12.0  # s at each level
APPROACH = 0.6  # s, time constant
SPAN_OFF, LOOP = 5e-4, 2e-4  # of span, standard uncertainty and greatest half-width
NOISE = 2e-5  # of span
COUNTS = 1.5  # of noise, at least


def bench_table(
    stand: Stand, calibrations: Mapping[str, Calibration], tag: str, levels: Sequence[float], *, seed: int
) -> Table:
    """Return what the board of one input says while levels are set.

    Parameters
    ----------
    stand : Stand
        Has the input.
    calibrations : mapping of tag to Calibration
        Of the input, and of the supply that it hangs on.
    tag : str
        Of the input.
    levels : sequence of float
        In the reading unit of the calibration, in their order.
    seed : int
        Of noise and of the sensor's error.

    Raises
    ------
    ConfigError
        The input has no calibration to be simulated by, or prints text lines.
    """
    item = stand.input_tagged(tag)
    if tag not in calibrations or calibrations[tag].characteristic is not None:
        raise ConfigError(f"{tag}: has no calibration to simulate it by; a rehearsal needs an earlier revision")
    device = stand.device_named(item.device)
    if device.format != "wire 1":
        raise ConfigError(f"{tag}: {device.name} prints text lines, and a rehearsal plays none")
    random = np.random.default_rng([seed, 7])
    return played_board(stand, item.device, calibrations, {tag: _course(levels, calibrations[tag], random)}, random)


def played_board(
    stand: Stand,
    board: str,
    calibrations: Mapping[str, Calibration],
    readings: Mapping[str, NDArray[np.float64]],
    random: np.random.Generator,
    *,
    supply_share: NDArray[np.float64] | float = 1.0,
    rows_a_second: int = ROWS_A_SECOND,
) -> Table:
    """Return what one board says while some of its inputs read something and all others rest.

    Parameters
    ----------
    stand : Stand
        Has the board.
    board : str
        Name of the device.
    calibrations : mapping of tag to Calibration
        Of its inputs, and of the supplies that they hang on.
    readings : mapping of tag to (N,) array
        In the reading unit of each calibration, at least one.
    random : Generator
        Of the converter's noise.
    supply_share : (N,) array or float
        Of the usual voltage, that every measured supply has at each row.
    rows_a_second : int
        Of every stream; a million is divided by it.
    """
    device, length = stand.device_named(board), next(iter(readings.values())).size
    names = list(dict.fromkeys(i.stream for i in stand.input if i.device == board))
    streams = []
    for number, name in enumerate(names, start=1):
        items = [i for i in stand.input if i.device == board and i.stream == name]
        columns = [
            _counts(i, calibrations, _reading(i, calibrations, readings, length, supply_share), random, supply_share)
            for i in items
        ]
        kinds = ["i24" if np.max(np.abs(column)) > TYPE_RANGES["i16"][1] else "i16" for column in columns]
        wires = tuple(WireChannel(i.wire, kind, *TYPE_RANGES[kind]) for i, kind in zip(items, kinds, strict=True))
        counts = np.stack(columns, axis=1).astype(np.int32)
        streams.append(
            PlayedStream(
                number=number, name=name, interval_ticks=TICK_HZ // rows_a_second, channels=wires, counts=counts
            )
        )
    return Table(
        device=device.name,
        serial=device.serial or "0000",
        firmware="rehearsal 1",
        boot=1,
        tick_hz=TICK_HZ,
        start_ticks=TICK_HZ,
        streams=tuple(streams),
        at_rest=True,
    )


def _course(levels: Sequence[float], calibration: Calibration, random: np.random.Generator) -> NDArray[np.float64]:
    """Return what the sensor would read, were its calibration right, over all rows."""
    time = np.arange(round(HOLD * ROWS_A_SECOND)) / ROWS_A_SECOND
    span = calibration.highest - calibration.lowest
    parts = [
        before + (level - before) * (1.0 - np.exp(-time / APPROACH)) for before, level in pairwise([levels[0], *levels])
    ]
    share = (np.concatenate(parts) - calibration.lowest) / span
    way = np.repeat(np.sign(np.diff([levels[0], *levels])), time.size)
    off = 1.0 + SPAN_OFF * float(random.standard_normal())
    loop = LOOP * 4.0 * share * (1.0 - share) * way
    return np.asarray(calibration.lowest + span * (off * share + loop + NOISE * random.standard_normal(share.size)))


def _reading(
    item: Input,
    calibrations: Mapping[str, Calibration],
    readings: Mapping[str, NDArray[np.float64]],
    length: int,
    supply_share: NDArray[np.float64] | float,
) -> NDArray[np.float64]:
    """Return what an input reads over all rows: as it is played, else at rest."""
    if item.tag in readings:
        return readings[item.tag]
    share = supply_share if item.measures == measurands.SUPPLY_VOLTAGE else 1.0
    return np.full(length, _rest(item, calibrations)) * share


def _rest(item: Input, calibrations: Mapping[str, Calibration]) -> float:
    known = calibrations.get(item.tag)
    if known is None:
        return 0.0
    if item.measures == measurands.SUPPLY_VOLTAGE:
        return (known.lowest + known.highest) / 2.0
    return min(max(0.0, known.lowest), known.highest)


def _counts(
    item: Input,
    calibrations: Mapping[str, Calibration],
    reading: NDArray[np.float64],
    random: np.random.Generator,
    supply_share: NDArray[np.float64] | float,
) -> NDArray[np.float64]:
    known = calibrations.get(item.tag)
    if known is None:
        return np.zeros(reading.size)
    stated, supply = item.stated_supply, calibrations.get(item.supply or "")
    volts = stated.value if stated is not None else (supply.lowest + supply.highest) / 2.0 if supply else 1.0
    share = supply_share if supply is not None else 1.0
    exact = counts_from_signal(item, known.signal(reading), volts * share)
    lowest, highest = TYPE_RANGES["i24"]
    return np.clip(np.rint(exact + COUNTS * random.standard_normal(exact.size)), lowest, highest)
