"""Define the dataset that is analysed: calibrated channels on one time axis, gaps, weighings, prediction.

SI; times in seconds after T-0, or after the first row where there is no T-0; every pressure absolute, gauge sensors
by the plan's ambient. Samples are never filtered, filled or dropped here: what cannot be believed is marked.
"""

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.budget.floors import floored_calibration
from standbook.analysis.dataset.as_weighed import in_air, plan_of_run
from standbook.analysis.dataset.calibrated_range import beyond_levels
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.findings.channels import NO_CALIBRATION, NO_SUPPLY
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Gap, RecordHealth, TZero
from standbook.analysis.signal.windows import parts_of
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import CARRIED, Calibration
from standbook.daq.config.measurands import SUPPLY_VOLTAGE
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.config.signal_conversion import Rails, clipped
from standbook.daq.config.stand import Input, Stand
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

PredictionStatus = Literal["locked", "postdiction"]


@dataclass(frozen=True, slots=True)
class RawStream:
    """Counts of one stream, before calibration."""

    time: Array  # (N,) [s]
    counts: Mapping[str, NDArray[np.int64]]  # by tag, each (N,)
    rails: Mapping[str, Rails]  # by tag
    delays: Mapping[str, float] = field(default_factory=dict)  # what a tag shows was so long after its row's time [s]


@dataclass(frozen=True, slots=True)
class Weighing:
    """Weighed masses of one tank [kg], and its pressure as read before the opening. ``None``: not weighed, not read."""

    residual: Measured | None = None  # left aboard after the run
    caught: Measured | None = None  # outside the tank, of a cold flow
    expelled: Measured | None = None  # stated as such
    start_pressure: Measured | None = None  # absolute [Pa]
    vented: float | None = None  # how long a weighed load could boil off before the vent was closed [s]
    boil_off: Measured | None = None  # meanwhile [kg/s]

    @property
    def boiled_off(self) -> Measured:
        """Mass that had left a weighed load before the run, as far as it is stated. [kg]."""
        if self.vented is None or self.boil_off is None:
            return Measured(0.0, 0.0, "kg")
        return Measured(self.boil_off.value * self.vented, self.boil_off.u * self.vented, "kg")

    def put_right(self, share: float) -> "Weighing":
        """Return masses for what a scale showed, each ``share`` of it."""
        residual, caught, expelled = (
            None if m is None else Measured(share * m.value, share * m.u, m.unit)
            for m in (self.residual, self.caught, self.expelled)
        )
        return replace(self, residual=residual, caught=caught, expelled=expelled)


@dataclass(frozen=True, slots=True)
class CheckWeight:
    """A known mass that was hung on the load cell, in the line of thrust."""

    when: str  # "before" or "after" the run
    mass: Measured  # [kg]
    reading: Measured  # that it moved the cell by [N]


@dataclass(frozen=True, slots=True)
class LineEdge:
    """A digital line that changed. [s] after T-0."""

    line: str
    level: int
    time: float


@dataclass(frozen=True, slots=True)
class CrewMark:
    """A mark that the crew dropped. [s] after T-0."""

    text: str
    key: str  # of the plan's mark; empty for one without
    time: float
    struck: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Dataset:
    """Everything known of one run, ready to be analysed."""

    run: str
    kind: str
    rehearsal: bool
    plan: Plan
    stand: Stand
    channels: Mapping[str, Channel]  # by tag
    gaps: Mapping[str, tuple[Gap, ...]] = field(default_factory=dict)  # by stream
    t_zero: TZero | None = None
    clock_u: float = 0.0  # relative standard uncertainty of the device clock's rate, once corrected
    record: Mapping[str, RecordHealth] = field(default_factory=dict)  # by stream
    weighings: Mapping[str, Weighing] = field(default_factory=dict)  # by tank
    prediction: Prediction | None = None
    prediction_status: PredictionStatus = "postdiction"
    edges: tuple[LineEdge, ...] = ()
    findings: tuple[Finding, ...] = ()
    plan_sha256: str = ""
    marks: tuple[CrewMark, ...] = ()
    origin_ns: int | None = None  # host time that times count from, UTC [ns]; None: not known
    check_weights: tuple[CheckWeight, ...] = ()
    clock_checked: bool = False  # the rate of the device's clock was held against another clock
    throat_after: Measured | None = None  # diameter gauged after the run [m]
    scale_u: float = 0.0  # relative standard uncertainty of the one scale that weighed loads and all else

    def measuring(self, measures: str, tank: str | None = None) -> tuple[Channel, ...]:
        """Return the channels of a measurand, in the stand's order."""
        return tuple(
            channel
            for item in self.stand.input
            if (channel := self.channels.get(item.tag))
            and channel.measures == measures
            and (tank is None or channel.tank == tank)
        )

    def first(self, measures: str, tank: str | None = None) -> Channel | None:
        """Return the first channel of a measurand, ``None`` where there is none."""
        return next(iter(self.measuring(measures, tank)), None)


def calibrated(
    plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration], played: Mapping[str, RawStream]
) -> tuple[dict[str, Channel], list[Finding]]:
    """Convert counts to calibrated channels; a tag without calibration is left out with a finding.

    Parameters
    ----------
    played : mapping of stream key to Played
        The stream key is ``"device/stream"``.

    Notes
    -----
    Supplies come first, since others are scaled by them; a supply of another stream is read off at each instant
    in a straight line between its samples.
    """
    channels: dict[str, Channel] = {}
    findings: list[Finding] = []
    inputs = [(key, stand.input_tagged(tag)) for key, stream in played.items() for tag in stream.counts]
    for key, item in sorted(inputs, key=lambda pair: pair[1].measures != SUPPLY_VOLTAGE):
        if item.tag not in calibrations:
            findings.append(_uncalibrated(item))
            continue
        supply, supply_u = _supply(item, channels, played[key].time)
        if supply is None:
            findings.append(NO_SUPPLY.at(item.tag, supply=item.supply))
            continue
        calibration, below = floored_calibration(calibrations[item.tag], item.measures)
        findings += below
        found = _channel(item, calibration, key, played[key], supply, plan)
        stated_u = item.sensor_kind.stated_u(item)
        channels[item.tag] = replace(found, supply=_supply_name(item), supply_u=supply_u, stated_u=stated_u)
    return {i.tag: channels[i.tag] for i in stand.input if i.tag in channels}, findings


def _uncalibrated(item: Input) -> Finding:
    return NO_CALIBRATION.at(item.tag)


def _supply_name(item: Input) -> str:
    """Name the supply that an input hangs on; inputs of one device that state the same words hang on one."""
    if item.supply is None or not item.sensor_kind.follows_supply:
        return ""
    return f"supply {item.supply} of {item.device}" if item.is_supply_stated else f"supply {item.supply}"


def _supply(item: Input, channels: Mapping[str, Channel], time: Array) -> tuple[float | Array | None, float]:
    """Return the supply of an input [V] and its relative standard uncertainty; ``None`` where it is not known."""
    if item.supply is None:
        return 1.0, 0.0
    if not item.sensor_kind.follows_supply:
        return 1.0, 0.0
    stated = item.stated_supply
    if stated is not None:
        return stated.value, stated.relative_u
    source = channels.get(item.supply)
    if source is None or not np.isfinite(source.reading).any():
        return None, 0.0
    good = np.isfinite(source.reading)
    level = abs(float(np.median(source.reading[good])))
    u = math.hypot(source.gain_u * level, source.zero_u) / level if level > 0.0 else 0.0
    return np.asarray(np.interp(time, source.time[good], source.reading[good])), u


def _channel(
    item: Input, calibration: Calibration, key: str, played: RawStream, supply: float | Array, plan: Plan
) -> Channel:
    counts = played.counts[item.tag]
    delay = played.delays.get(item.tag, 0.0) - calibration.latency.value
    signal, reading = np.empty(counts.size), np.empty(counts.size)
    opened, at_rail = np.empty(counts.size, np.bool_), np.empty(counts.size, np.bool_)
    ambient = plan.site.ambient_pressure.value if calibration.reference == "gauge" else 0.0
    for part in parts_of(counts.size):
        volts = supply if isinstance(supply, float) else supply[part]
        signal[part], opened[part] = item.sensor_kind.measured(item, counts[part], volts)
        at_rail[part] = clipped(counts[part], played.rails[item.tag])
        value = calibration.si_reading(signal[part]) + ambient
        reading[part] = np.where(opened[part], np.nan, value)
    return Channel(
        tag=item.tag,
        measures=item.measures,
        tank=item.tank,
        calibration=calibration,
        time=played.time + delay if delay else played.time,
        signal=signal,
        reading=reading,
        counts=counts,
        clipped=at_rail,
        open_wire=opened,
        stream=key,
        beyond=beyond_levels(calibration, played.time, reading, ambient, share=CARRIED),
    )


def dataset_from_counts(
    plan: Plan,
    stand: Stand,
    calibrations: Mapping[str, Calibration],
    played: Mapping[str, RawStream],
    *,
    t_zero: TZero | None = None,
    weighings: Mapping[str, Weighing] | None = None,
    prediction: Prediction | None = None,
    clock_u: float = 0.0,
    edges: Iterable[LineEdge] = (),
    check_weights: Iterable[CheckWeight] = (),
    clock_checked: bool = False,
    run: str = "study",
) -> Dataset:
    """Make a dataset from counts at hand, for studies: no folder, no gaps but those in the times.

    ``t_zero`` says that times count from T-0; a prediction given here counts as locked. Loads and weighings are what
    scales showed in air.
    """
    if not played:
        raise DataError("no stream was recorded; there is nothing to analyse")
    channels, findings = calibrated(plan, stand, calibrations, played)
    shown, (plan, below) = weighings or {}, plan_of_run(plan)
    gaps = {key: gaps_in(stream.time) for key, stream in played.items()}
    record = {key: _unbroken(stream, gaps[key]) for key, stream in played.items()}
    return Dataset(
        run=run,
        kind=plan.test.kind,
        rehearsal=True,
        plan=plan,
        stand=stand,
        channels=channels,
        gaps=gaps,
        t_zero=t_zero,
        clock_u=clock_u,
        record=record,
        weighings={tank: weighing.put_right(in_air(plan, tank)) for tank, weighing in shown.items()},
        prediction=prediction,
        prediction_status="locked" if prediction is not None else "postdiction",
        edges=tuple(edges),
        findings=(*findings, *below),
        check_weights=tuple(check_weights),
        clock_checked=clock_checked,
    )


def _unbroken(stream: RawStream, gaps: tuple[Gap, ...]) -> RecordHealth:
    """Return the health of a stream that lacks nothing but the rows of its gaps."""
    return RecordHealth(
        rows=stream.time.size,
        lost_rows=sum(gap.rows for gap in gaps),
        gaps=gaps,
        boots=1,
        clock_ppm=None,
        damaged_frames=0,
    )


def gaps_in(time: Array) -> tuple[Gap, ...]:
    """Find gaps of a regular stream by its time steps: from the first missing row to the first one after."""
    if time.size < 2:
        return ()
    steps = np.diff(time)
    interval = float(np.median(steps))
    places = np.flatnonzero(steps > 1.5 * interval)
    return tuple(
        Gap(
            float(time[k]) + interval,
            float(time[k + 1]),
            float(steps[k] - interval),
            round(float(steps[k]) / interval) - 1,
        )
        for k in places
    )


def shift_origin(dataset: Dataset, origin: float, t_zero: TZero) -> Dataset:
    """Shift times to another origin: an instant that the analysis detected, such as a valve's opening."""
    channels = {tag: replace(channel, time=channel.time - origin) for tag, channel in dataset.channels.items()}
    gaps = {key: tuple(_moved_gap(gap, origin) for gap in found) for key, found in dataset.gaps.items()}
    record = {
        key: replace(health, gaps=tuple(_moved_gap(gap, origin) for gap in health.gaps))
        for key, health in dataset.record.items()
    }
    edges = tuple(replace(edge, time=edge.time - origin) for edge in dataset.edges)
    marks = tuple(replace(mark, time=mark.time - origin) for mark in dataset.marks)
    findings = tuple(f if f.time is None else replace(f, time=f.time - origin) for f in dataset.findings)
    origin_ns = None if dataset.origin_ns is None else dataset.origin_ns + round(origin * 1e9)
    return replace(
        dataset,
        channels=channels,
        gaps=gaps,
        record=record,
        edges=edges,
        marks=marks,
        findings=findings,
        t_zero=t_zero,
        origin_ns=origin_ns,
    )


def _moved_gap(gap: Gap, origin: float) -> Gap:
    return replace(gap, start=gap.start - origin, end=gap.end - origin)


def iso_time(host_ns: int) -> str:
    """Write nanoseconds since 1970 as ISO 8601 in UTC with nine decimals."""
    seconds, rest = divmod(int(host_ns), 1_000_000_000)
    return f"{dt.datetime.fromtimestamp(seconds, dt.UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def weighed_mass(dataset: Dataset, tank: Tank) -> Measured | None:
    """Return the expelled mass by weighing, ``None`` where nothing was weighed. [kg]."""
    weighing = dataset.weighings.get(tank.name)
    if weighing is None:
        return None
    if weighing.expelled is not None:
        return weighing.expelled
    if weighing.residual is not None:
        load, boiled = tank.liquid_load, weighing.boiled_off
        value = load.value - boiled.value - weighing.residual.value
        return Measured(value, math.hypot(load.u, boiled.u, weighing.residual.u), "kg")
    return weighing.caught


def left_aboard(dataset: Dataset, tank: Tank) -> Measured | None:
    """Return the weighed residual mass of a tank. [kg]."""
    weighing = dataset.weighings.get(tank.name)
    return weighing.residual if weighing is not None else None
