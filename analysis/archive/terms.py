"""Collect what ``recompute.py`` needs of a firing: channels, files and the terms that no line of it computes.

SI; times in seconds after T-0.
"""

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset, iso_time
from standbook.analysis.dataset.summed_cells import IN_SUM
from standbook.analysis.opened_run import Run
from standbook.analysis.physics.impulse import integrate
from standbook.analysis.results.saved_results import RESULTS_FILE
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.config import measurands
from standbook.daq.config.campaign import CALIBRATIONS, RUNS
from standbook.daq.config.stand import Input
from standbook.daq.run.revision import open_revision
from standbook.daq.run.run_folder import samples_path

TERMS_FILE = "recompute.json"
SAME_MEAN = 1e-12  # relative: a stored zero that is the mean of its window is computed again


def recompute_terms(run: Run) -> dict[str, Any] | None:
    """Return what ``recompute.json`` holds of a run; ``None`` where no total impulse was found.

    Raises
    ------
    DataError
        The results have an impulse, and this program finds no thrust in the record.
    """
    if not run.is_analysed or run.results.impulse is None:
        return None
    record, burn = run.integrated_thrust
    revision = open_revision(run.folder)
    load, gain, stiffening = _path(record)
    lines = line_channels(run.dataset, record, burn) if load or stiffening else {}
    cells = _cells(run.dataset, record)
    tags = _with_supplies(run, [*cells, *lines])
    return {
        "what": "what recompute.py reads; SI, times after T-0",
        "run": f"{RUNS}/{run.folder.name}",
        "results": (revision / RESULTS_FILE).relative_to(run.folder).as_posix(),
        "origin": {"time": iso_time(run.dataset.origin_ns or 0)},
        "cells": cells,
        "lines": lines,
        "gain": gain,
        "stiffening [1/Pa]": stiffening if lines else 0.0,
        "line load [N/Pa]": load if lines else 0.0,
        **_terms(record, burn),
        "channels": {tag: _channel(run, tag, revision) for tag in tags},
    }


def _path(record: ThrustRecord) -> tuple[float, float, float]:
    """Return what lines push [N/Pa], what readings are divided by [-], and its growth with their pressure [1/Pa]."""
    load, pull = record.cell.calibration.stand_interaction.line_load.value, record.cell.pull
    return (load, 1.0 / record.factor, 0.0) if pull is None else (load, pull.of("gain")[0], pull.of("stiffening")[0])


def _terms(record: ThrustRecord, burn: Burn) -> dict[str, Any]:
    """Return the numbers of one firing's thrust."""
    before, seen = record.zero.before, record.record()
    mean = float(np.mean(record.reading[before.window.of(record.time)]))
    is_mean = abs(mean - before.value) <= SAME_MEAN * abs(before.value)
    return {
        "zero from, to [s]": [before.window.start, before.window.end],
        "zero [N]": None if is_mean else before.value,
        "weight [N s]": weight_impulse(record, burn),
        "rows left out": _left_out(record),
        "no rows from, to [s]": [[hole.start, hole.end] for hole in seen.holes],
    }


def weight_impulse(record: ThrustRecord, burn: Burn) -> float:
    """Return what the weight that left adds to the sum over the window, on the scale of true force. [N s]."""
    path = record.cell.pull
    lines = record.hose_pressure + record.hose_pressure_before
    factors = record.factor if path is None else path.factor(lines)
    ramp = np.asarray(factors * record.zero.step * record.zero.share)
    return integrate(record.time, ramp, interval=record.interval).between(burn.window.start, burn.window.end)


def line_channels(dataset: Dataset, record: ThrustRecord, burn: Burn) -> dict[str, float]:
    """Return the tank sensors whose mean is the lines' pressure, and what is taken off each for gauge. [Pa]."""
    spans = (burn.span, (burn.window.start, burn.window.end))
    for span in spans:
        found = [first_usable(dataset.measuring(measurands.TANK_PRESSURE, t.name), *span) for t in dataset.plan.tank]
        channels = [channel for channel in found if channel is not None]
        if channels and np.array_equal(_risen(record, channels), record.hose_pressure):
            ambient = dataset.plan.site.ambient_pressure.value
            return {c.tag: 0.0 if c.calibration.reference == "gauge" else ambient for c in channels}
    return {}


def _risen(record: ThrustRecord, channels: Iterable[Channel]) -> np.ndarray:
    mean = np.mean([np.interp(record.time, *channel.known()) for channel in channels], axis=0)
    return np.asarray(mean - float(np.mean(mean[record.zero.before.window.of(record.time)])))


def _cells(dataset: Dataset, record: ThrustRecord) -> dict[str, float]:
    """Return the cells that the thrust is the sum of, each with what it is multiplied by. [-]."""
    marked = [item.tag for item in dataset.stand.input if item.share == IN_SUM and item.tag in dataset.channels]
    if len(marked) < 2:
        return {record.cell.tag: 1.0}
    return {tag: dataset.channels[tag].calibration.stand_interaction.factor.value for tag in marked}


def _left_out(record: ThrustRecord) -> list[list[int]]:
    """Return first and last row of each stretch of the cell's rows that cannot be believed."""
    gone = ~np.isin(record.cell.time, record.time)
    edges = np.diff(np.concatenate(([0], gone.astype(np.int8), [0])))
    pairs = zip(np.flatnonzero(edges == 1).tolist(), np.flatnonzero(edges == -1).tolist(), strict=True)
    return [[first, after - 1] for first, after in pairs]


def _with_supplies(run: Run, tags: Iterable[str]) -> list[str]:
    found = list(tags)
    for tag in found:
        item = run.record.stand.input_tagged(tag)
        if item.sensor_kind.follows_supply and item.supply and not item.is_supply_stated and item.supply not in found:
            found.append(item.supply)
    return found


def _channel(run: Run, tag: str, revision: Path) -> Mapping[str, object]:
    """Say how counts of one channel become its reading."""
    item, calibration = run.record.stand.input_tagged(tag), run.dataset.channels[tag].calibration
    stated = item.stated_supply
    supply: float | str = 1.0
    if item.sensor_kind.follows_supply:
        supply = stated.value if stated is not None else str(item.supply)
    resolution, file = _resolution(run, tag), _calibration_file(run, tag, revision)
    per_count = _per_count(item)
    known: dict[str, object] = {"calibration": file}
    if file is None:  # an import's is derived from the unit of its column
        known = {"pivot": calibration.pivot, "coefficients": list(calibration.coefficients)}
    elif not item.sensor_kind.is_voltage:
        per_count = resolution  # the file is of printed numbers
    return {
        "samples": _samples(run, item),
        "signal per count": per_count,
        "supply": supply,
        **known,
        "SI per unit": calibration.scale,
        "unit": calibration.reading_unit,
        "latency [s]": calibration.latency.value,
    }


def _per_count(item: Input) -> float:
    return float(item.sensor_kind.signal(item, np.ones(1, dtype=np.int64), 1.0)[0])


def _resolution(run: Run, tag: str) -> float:
    streams = (stream for device in run.record.record.devices.values() for stream in device.streams.values())
    return next((c.resolution for stream in streams for c in stream.channels if c.tag == tag), 1.0)


def _calibration_file(run: Run, tag: str, revision: Path) -> str | None:
    """Name the calibration that the analysis used, inside the run folder; ``None`` for an import's."""
    if run.record.info.source == "imported":
        return None
    name = f"{run.dataset.channels[tag].calibration.name}.toml"
    later, locked = revision / CALIBRATIONS / name, run.folder / CALIBRATIONS / name
    return (later if later.is_file() else locked).relative_to(run.folder).as_posix()


def _samples(run: Run, item: Input) -> list[str]:
    """Name the files of a stream's rows: recorded, and filled in from a second recorder."""
    folder, where = run.folder, (item.device, item.stream)
    names = [samples_path(folder, *where).relative_to(folder).as_posix()]
    names += [
        f"{added.name}/{item.device}_{item.stream}.parquet"
        for added in run.record.fills
        if added.fill.device == item.device and item.stream in added.fill.streams
    ]
    return names
