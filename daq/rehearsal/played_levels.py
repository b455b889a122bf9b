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
    reading = _course(levels, calibrations[tag], random)
    names = list(dict.fromkeys(i.stream for i in stand.input if i.device == item.device))
    streams = []
    for number, name in enumerate(names, start=1):
        items = [i for i in stand.input if i.device == item.device and i.stream == name]
        columns = [
            _counts(i, calibrations, reading if i.tag == tag else np.full(reading.size, _rest(i, calibrations)), random)
            for i in items
        ]
        kinds = ["i24" if np.max(np.abs(column)) > TYPE_RANGES["i16"][1] else "i16" for column in columns]
        wires = tuple(WireChannel(i.wire, kind, *TYPE_RANGES[kind]) for i, kind in zip(items, kinds, strict=True))
        counts = np.stack(columns, axis=1).astype(np.int32)
        streams.append(
            PlayedStream(
                number=number, name=name, interval_ticks=TICK_HZ // ROWS_A_SECOND, channels=wires, counts=counts
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


def _rest(item: Input, calibrations: Mapping[str, Calibration]) -> float:
    known = calibrations.get(item.tag)
    if known is None:
        return 0.0
    if item.measures == measurands.SUPPLY_VOLTAGE:
        return (known.lowest + known.highest) / 2.0
    return min(max(0.0, known.lowest), known.highest)


def _counts(
    item: Input, calibrations: Mapping[str, Calibration], reading: NDArray[np.float64], random: np.random.Generator
) -> NDArray[np.float64]:
    known = calibrations.get(item.tag)
    if known is None:
        return np.zeros(reading.size)
    stated, supply = item.stated_supply, calibrations.get(item.supply or "")
    volts = stated.value if stated is not None else (supply.lowest + supply.highest) / 2.0 if supply else 1.0
    exact = counts_from_signal(item, known.signal(reading), volts)
    lowest, highest = TYPE_RANGES["i24"]
    return np.clip(np.rint(exact + COUNTS * random.standard_normal(exact.size)), lowest, highest)
