"""One run as the analysis sees it: calibrated channels on one time axis, gaps, what was weighed, what was predicted.

SI; times in seconds after T-0, or after the first row where there is no T-0; every pressure absolute, gauge sensors
by the plan's ambient. Samples are never filtered, filled or dropped here: what cannot be believed is marked, and
what a second recorder gave is said.
"""

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from analysis.prediction import Prediction
from analysis.results import Finding, Gap, Measured, RecordHealth, TZero
from daq.calibration import Calibration
from daq.channels import Rails, clipped, open_wire, signal_from_counts, to_si
from daq.errors import DataError
from daq.plan import DETECTED_OPENING, Plan
from daq.quantity import Quantity, parse_quantity
from daq.run import Run, StreamData
from daq.stand import Input, Stand

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
PredictionStatus = Literal["locked", "postdiction"]


@dataclass(frozen=True, slots=True, eq=False)
class Channel:
    """One calibrated input."""

    tag: str
    measures: str
    tank: str | None
    calibration: Calibration
    time: Array  # (N,) sensor latency taken off [s]
    signal: Array  # (N,) in the calibration's signal unit
    reading: Array  # (N,) SI, pressures absolute; not a number where the wire was open
    counts: NDArray[np.int64]  # (N,)
    clipped: Mask  # (N,)
    open_wire: Mask  # (N,)
    stream: str  # "cradle-a/fast"

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty of the slope."""
        return self.calibration.slope_u()

    @property
    def zero_u(self) -> float:
        """Standard uncertainty of what moves all readings alike: zero, intercept, hysteresis. [SI]."""
        c = self.calibration
        hysteresis = c.hysteresis_uncertainty.value * (c.highest - c.lowest)
        return c.scale * math.sqrt(c.zero_uncertainty**2 + c.covariance[0][0] + hysteresis**2)

    def reading_u(self, reading: float, ambient: Quantity) -> float:
        """Return the standard uncertainty of one mean reading [SI], the barometer's included for a gauge sensor."""
        gauge = self.calibration.reference == "gauge"
        origin = ambient.value if gauge else 0.0
        return math.hypot(self.gain_u * (reading - origin), self.zero_u, ambient.u if gauge else 0.0)


@dataclass(frozen=True, slots=True)
class Played:
    """Counts of one stream, before calibration."""

    time: Array  # (N,) [s]
    counts: Mapping[str, NDArray[np.int64]]  # by tag, each (N,)
    rails: Mapping[str, Rails]  # by tag


@dataclass(frozen=True, slots=True)
class Weighing:
    """What the scales said of one tank. ``None``: not weighed. [kg]."""

    residual: Measured | None = None  # left aboard after the run
    caught: Measured | None = None  # outside the tank, of a cold flow
    expelled: Measured | None = None  # stated as such


@dataclass(frozen=True, slots=True)
class LineEdge:
    """A digital line that changed. [s] after T-0."""

    line: str
    level: int
    time: float


@dataclass(frozen=True, slots=True)
class Dataset:
    """One run, ready to be analysed."""

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
    origin_ns: int | None = None  # host time that times count from, UTC [ns]; None: not known

    def measuring(self, measures: str, tank: str | None = None) -> tuple[Channel, ...]:
        """Return the channels that measure a thing, in the stand's order."""
        found = (self.channels.get(item.tag) for item in self.stand.input)
        return tuple(c for c in found if c and c.measures == measures and (tank is None or c.tank == tank))

    def first(self, measures: str, tank: str | None = None) -> Channel | None:
        """Return the first channel that measures a thing, ``None`` where none does."""
        return next(iter(self.measuring(measures, tank)), None)


def calibrated(
    plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration], played: Mapping[str, Played]
) -> tuple[dict[str, Channel], list[Finding]]:
    """Turn counts into channels; a tag without calibration is left out with a finding.

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
    for key, item in sorted(inputs, key=lambda pair: pair[1].measures != "supply voltage"):
        if item.tag not in calibrations:
            findings.append(_uncalibrated(item))
            continue
        supply = _supply(item, channels, played[key].time)
        if supply is None:
            findings.append(
                Finding(
                    "no-supply", "caution", item.tag, None,
                    f"{item.tag}: its supply {item.supply} was not recorded or has no calibration, so the channel "
                    "cannot be read; name the supply's calibration in the plan and analyse again.",
                )
            )  # fmt: skip
            continue
        channels[item.tag] = _channel(item, calibrations[item.tag], key, played[key], supply, plan)
    return {i.tag: channels[i.tag] for i in stand.input if i.tag in channels}, findings


def _uncalibrated(item: Input) -> Finding:
    return Finding(
        "no-calibration", "note", item.tag, None,
        f"{item.tag}: recorded in counts only, the plan names no calibration for it.",
    )  # fmt: skip


def _supply(item: Input, channels: Mapping[str, Channel], time: Array) -> float | Array | None:
    if item.supply is None:
        return 1.0
    if item.supply[0].isdigit():
        return parse_quantity(item.supply, "voltage").value
    source = channels.get(item.supply)
    if source is None or not np.isfinite(source.reading).any():
        return None
    good = np.isfinite(source.reading)
    return np.asarray(np.interp(time, source.time[good], source.reading[good]))


def _channel(
    item: Input, calibration: Calibration, key: str, played: Played, supply: float | Array, plan: Plan
) -> Channel:
    counts = played.counts[item.tag]
    signal = signal_from_counts(item, counts, supply)
    reading = to_si(calibration.reading(signal), calibration)
    if calibration.reference == "gauge":
        reading = reading + plan.site.ambient_pressure.value
    opened = open_wire(item, signal)
    return Channel(
        item.tag, item.measures, item.tank, calibration, played.time - calibration.latency.value, signal,
        np.where(opened, np.nan, reading), counts, clipped(counts, played.rails[item.tag]), opened, key,
    )  # fmt: skip


def dataset_from_counts(
    plan: Plan,
    stand: Stand,
    calibrations: Mapping[str, Calibration],
    played: Mapping[str, Played],
    *,
    t_zero: TZero | None = None,
    weighings: Mapping[str, Weighing] | None = None,
    prediction: Prediction | None = None,
    clock_u: float = 0.0,
    edges: Iterable[LineEdge] = (),
    run: str = "study",
) -> Dataset:
    """Make a data set from counts at hand, for studies: no folder, no gaps but those in the times.

    ``t_zero`` says that times count from T-0; a prediction given here counts as locked.
    """
    if not played:
        raise DataError("no stream was recorded; there is nothing to analyse")
    channels, findings = calibrated(plan, stand, calibrations, played)
    gaps = {key: gaps_in(stream.time) for key, stream in played.items()}
    record = {
        key: RecordHealth(stream.time.size, sum(gap.rows for gap in gaps[key]), gaps[key], 1, None, 0)
        for key, stream in played.items()
    }
    return Dataset(
        run, plan.test.kind, True, plan, stand, channels, gaps, t_zero, clock_u, record, dict(weighings or {}),
        prediction, "locked" if prediction is not None else "postdiction", tuple(edges), tuple(findings),
    )  # fmt: skip


def load_dataset(run: Run, *, calibrations: Mapping[str, Calibration] | None = None) -> Dataset:
    """Read a sealed run.

    Parameters
    ----------
    run : Run
        Opened and checked.
    calibrations : mapping of tag to Calibration, optional
        Later revisions that replace the locked ones, adapted to the run's counts.

    Raises
    ------
    DataError
        No stream has rows.
    RecordError
        A samples file is damaged.
    """
    keys = run.streams()
    if not keys:
        raise DataError(f"{run.folder}: no stream has rows; there is nothing to analyse")
    streams = {f"{device}/{name}": run.stream(device, name) for device, name in keys}
    t_zero = run.record.t_zero
    origin = t_zero.host_ns if t_zero else min(int(stream.host_ns[0]) for stream in streams.values())
    played = {key: _played(stream, origin, run.stand) for key, stream in streams.items()}
    channels, findings = calibrated(run.plan, run.stand, {**run.calibrations, **(calibrations or {})}, played)
    findings += [_later(tag, later, run.calibrations.get(tag)) for tag, later in (calibrations or {}).items()]
    record = {f"{device}/{name}": _health(run, streams[f"{device}/{name}"], device, origin) for device, name in keys}
    findings += _fill_findings(run, streams, origin)
    if t_zero is None and run.plan.test.t_zero != DETECTED_OPENING:
        why = run.record.t_zero_missing or "the plan names no event"
        findings.append(
            Finding("no-t-zero", "caution", None, None, f"There is no T-0 ({why}): times count from the first row, and "
                    "the prediction is a postdiction.")
        )  # fmt: skip
    return Dataset(
        run=run.folder.name,
        kind=run.info.kind,
        rehearsal=run.info.rehearsal,
        plan=run.plan,
        stand=run.stand,
        channels=channels,
        gaps={key: health.gaps for key, health in record.items()},
        t_zero=TZero(iso_time(t_zero.host_ns), t_zero.source, t_zero.u_s) if t_zero else None,
        clock_u=max(_clock_u(run, device) for device, _ in keys),
        record=record,
        weighings={
            tank: Weighing(_measured(w.residual), _measured(w.caught), _measured(w.expelled))
            for tank, w in run.weighings.items()
        },
        prediction=Prediction.from_json(run.prediction_text) if run.prediction_text else None,
        prediction_status=run.prediction_status,
        edges=tuple(
            LineEdge(edge.line, edge.level, (edge.host_ns - origin) * 1e-9)
            for device in run.record.devices.values()
            for edge in device.edges
        ),
        findings=(*findings, *_notes(run, origin)),
        plan_sha256=run.plan_sha256,
        origin_ns=origin,
    )


def _later(tag: str, later: Calibration, locked: Calibration | None) -> Finding:
    before = f"instead of {locked.name}, which was locked" if locked else "none was locked"
    return Finding(
        "later-calibration", "note", tag, None, f"{tag}: analysed with {later.name}, {before}; counts are as recorded."
    )


def _played(stream: StreamData, origin: int, stand: Stand) -> Played:
    named = {item.tag for item in stand.input}
    counts = {tag: values for tag, values in stream.counts.items() if tag in named}
    return Played(seconds_after(stream.host_ns, origin), counts, stream.rails)


def _health(run: Run, stream: StreamData, device: str, origin: int) -> RecordHealth:
    known = run.record.devices[device]
    gaps = tuple(
        Gap(
            (gap.start_ns - origin) * 1e-9, (gap.end_ns - origin) * 1e-9, (gap.end_ns - gap.start_ns) * 1e-9,
            gap.rows or 0,
        )
        for gap in stream.gaps
    )  # fmt: skip
    clock = known.clock
    return RecordHealth(
        rows=stream.sequence.size,
        lost_rows=sum(gap.rows for gap in gaps),
        gaps=gaps,
        boots=known.boots,
        clock_ppm=Measured(clock.rate_ppm, clock.u_ppm, "ppm") if clock else None,
        damaged_frames=known.damaged_frames,
        filled_rows=int(np.count_nonzero(stream.filled)),
    )


def _fill_findings(run: Run, streams: Mapping[str, StreamData], origin: int) -> list[Finding]:
    """Say which rows were not recorded but taken from a second recorder."""
    said = []
    for added in run.fills:
        for name, part in added.fill.streams.items():
            key = f"{added.fill.device}/{name}"
            stream, first = streams[key], part.runs[0]
            at = np.flatnonzero((stream.boot == first.boot) & (stream.sequence == first.first_sequence))
            start = (int(stream.host_ns[at[0]]) - origin) * 1e-9
            places = f" in {len(part.runs)} places" if len(part.runs) > 1 else ""
            said.append(
                Finding(
                    "rows-filled", "note", None, start,
                    f"{part.rows:,} row{'s' if part.rows > 1 else ''} of {key} from T{start:+.2f} s{places} "
                    f"{'were' if part.rows > 1 else 'was'} filled from {added.name} (card copy {added.fill.source}); "
                    f"{part.overlap_rows:,} overlapping rows agreed.",
                )
            )  # fmt: skip
    return said


def _clock_u(run: Run, device: str) -> float:
    """Return the relative uncertainty of a device's rate: as fitted, else its tolerance as rectangular limits."""
    clock = run.record.devices[device].clock
    if clock is not None:
        return clock.u_ppm * 1e-6
    return run.stand.device_named(device).clock_tolerance.value / math.sqrt(3.0)


def _measured(quantity: Quantity | None) -> Measured | None:
    return Measured(quantity.value, quantity.u, quantity.unit) if quantity is not None else None


def _notes(run: Run, origin: int) -> list[Finding]:
    return [
        Finding(
            "device-note", note.severity, None, None if note.host_ns is None else (note.host_ns - origin) * 1e-9,
            f"{name}: {note.text}",
        )
        for name, device in run.record.devices.items()
        for note in device.notes
    ]  # fmt: skip


def gaps_in(time: Array) -> tuple[Gap, ...]:
    """Find gaps of a regular stream by its time steps: from the first missing row to the first one after."""
    if time.size < 2:
        return ()
    steps = np.diff(time)
    interval = float(np.median(steps))
    places = np.flatnonzero(steps > 1.5 * interval)
    return tuple(
        Gap(
            float(time[k]) + interval, float(time[k + 1]), float(steps[k] - interval),
            round(float(steps[k]) / interval) - 1,
        )
        for k in places
    )  # fmt: skip


def moved(dataset: Dataset, origin: float, t_zero: TZero) -> Dataset:
    """Count times from another instant: one that the analysis itself detected, such as a valve's opening."""
    channels = {tag: replace(channel, time=channel.time - origin) for tag, channel in dataset.channels.items()}
    gaps = {key: tuple(_moved_gap(gap, origin) for gap in found) for key, found in dataset.gaps.items()}
    record = {
        key: replace(health, gaps=tuple(_moved_gap(gap, origin) for gap in health.gaps))
        for key, health in dataset.record.items()
    }
    edges = tuple(replace(edge, time=edge.time - origin) for edge in dataset.edges)
    findings = tuple(f if f.time is None else replace(f, time=f.time - origin) for f in dataset.findings)
    origin_ns = None if dataset.origin_ns is None else dataset.origin_ns + round(origin * 1e9)
    return replace(
        dataset, channels=channels, gaps=gaps, record=record, edges=edges, findings=findings, t_zero=t_zero,
        origin_ns=origin_ns,
    )  # fmt: skip


def _moved_gap(gap: Gap, origin: float) -> Gap:
    return replace(gap, start=gap.start - origin, end=gap.end - origin)


def iso_time(host_ns: int) -> str:
    """Write nanoseconds since 1970 as ISO 8601 in UTC with nine decimals."""
    seconds, rest = divmod(int(host_ns), 1_000_000_000)
    return f"{dt.datetime.fromtimestamp(seconds, dt.UTC):%Y-%m-%dT%H:%M:%S}.{rest:09d}Z"


def seconds_after(host_ns: NDArray[np.int64], origin_ns: int) -> Array:
    """Return seconds after an instant; the difference is taken in whole nanoseconds first."""
    return np.asarray((host_ns - origin_ns).astype(np.float64) * 1e-9)
