"""Load a sealed run as a dataset on one time axis, with the findings that its record alone gives.

SI; times in seconds after T-0, or after the first row where there is no T-0. Nothing is judged here but the record
itself: rows that were filled, later calibrations, a missing T-0 and the notes of devices become findings.
"""

import datetime as dt
import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.budget.floors import CLOCK
from standbook.analysis.dataset.as_weighed import in_air, plan_of_run
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import (
    CheckWeight,
    CrewMark,
    Dataset,
    LineEdge,
    RawStream,
    Weighing,
    calibrated,
    iso_time,
)
from standbook.analysis.dataset.pulled_path import with_alignments, with_pulls
from standbook.analysis.dataset.tapped_stand import tapped_stand
from standbook.analysis.findings.channels import (
    CALIBRATIONS_NOT_IN_DATE,
    DEVICE_NOTE,
    LATER_CALIBRATION,
    NO_T_ZERO,
    ROWS_FILLED,
)
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Gap, RecordHealth, TZero
from standbook.analysis.signal.windows import parts_of
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import DETECTED_OPENING
from standbook.daq.config.stand import Stand
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity, absolute
from standbook.daq.run.record_summary import few_notes
from standbook.daq.run.run_folder import Run, StreamData

CLOCK_CHECKED_PPM = 1000.0  # standard uncertainty of a rate by arrivals, below which they vouch for it


def load_dataset(run: Run, *, calibrations: Mapping[str, Calibration] | None = None) -> Dataset:
    """Load a sealed run.

    Parameters
    ----------
    run : Run
        Opened and checked.
    calibrations : mapping of tag to Calibration, optional
        Later revisions that replace the locked ones, adapted to the run's counts.

    Raises
    ------
    DataError
        No stream has rows, or the times of one step back.
    RecordError
        A samples file is damaged.
    ConfigError
        A latency is told by the board and stated by a calibration.
    """
    keys = run.streams()
    if not keys:
        raise DataError(f"{run.folder}: no stream has rows; there is nothing to analyse")
    streams = {f"{device}/{name}": run.stream(device, name) for device, name in keys}
    t_zero = run.record.t_zero
    origin = t_zero.host_ns if t_zero else min(int(stream.host_ns[0]) for stream in streams.values())
    played = {key: _played(key, stream, origin, run.stand) for key, stream in streams.items()}
    record = {f"{device}/{name}": _health(run, streams[f"{device}/{name}"], device, origin) for device, name in keys}
    filled = _fill_findings(run, streams, origin)
    used = {**run.calibrations, **(calibrations or {})}
    _check_latencies(used, streams)
    del streams  # a long record is not held twice while it is calibrated
    channels, findings = calibrated(run.plan, run.stand, used, played)
    channels, of_pulls = with_pulls(channels, run.pulls)
    findings += of_pulls
    checked = run.evidence.check
    channels = with_alignments(channels, checked, stand_sha256=run.stand_sha256, rehearsal=run.info.rehearsal)
    stand, of_taps = tapped_stand(run.stand, run.taps)
    findings += of_taps
    findings += [_later(tag, later, run.calibrations.get(tag)) for tag, later in (calibrations or {}).items()]
    plan, below = plan_of_run(run.plan)
    findings += [*filled, *below, *_t_zero_missing(run), *_not_in_date(run, channels, origin)]
    return Dataset(
        run=run.folder.name,
        kind=run.info.kind,
        rehearsal=run.info.rehearsal,
        plan=plan,
        stand=stand,
        channels=channels,
        gaps={key: health.gaps for key, health in record.items()},
        t_zero=TZero(iso_time(t_zero.host_ns), t_zero.source, t_zero.u_s) if t_zero else None,
        clock_u=max(CLOCK, *(_clock_u(run, device) for device, _ in keys)),
        record=record,
        weighings=_weighings(run),
        check_weights=_check_weights(run),
        throat_after=_measured(run.throat_after),
        scale_u=run.scale_u.value if run.scale_u is not None else 0.0,
        prediction=Prediction.from_json(run.prediction_text) if run.prediction_text else None,
        prediction_status=run.prediction_status,
        edges=_edges(run, origin),
        findings=(*findings, *_notes(run, origin)),
        marks=_marks(run, origin),
        plan_sha256=run.plan_sha256,
        origin_ns=origin,
        clock_checked=all(_is_clock_checked(run, device) for device, _ in keys),
    )


def _t_zero_missing(run: Run) -> list[Finding]:
    if run.record.t_zero is not None or run.plan.test.t_zero == DETECTED_OPENING:
        return []
    return [NO_T_ZERO.at(None, why=run.record.t_zero_missing or "the plan names no event")]


def _not_in_date(run: Run, channels: Mapping[str, Channel], origin: int) -> list[Finding]:
    """Name the calibrations that were not valid on the day of the run; a rehearsal's are of no day."""
    if run.info.rehearsal:
        return []
    day = dt.datetime.fromtimestamp(origin // 1_000_000_000, dt.UTC).date()
    used = [channel.calibration for _, channel in sorted(channels.items())]
    late = [c for c in used if not c.date <= day <= c.valid_until]
    if not late:
        return []
    each = ", ".join(f"{c.name} ({c.date} to {c.valid_until})" for c in late)
    return [CALIBRATIONS_NOT_IN_DATE.at(None, day=day.isoformat(), calibrations=each)]


def _later(tag: str, later: Calibration, locked: Calibration | None) -> Finding:
    before = f"instead of {locked.name}, which was locked" if locked else "none was locked"
    return LATER_CALIBRATION.at(tag, later_name=later.name, before=before)


def _played(key: str, stream: StreamData, origin: int, stand: Stand) -> RawStream:
    back = np.flatnonzero(np.diff(stream.host_ns) < 0)
    if back.size:
        raise DataError(
            f"{key}: time steps back at row {int(stream.sequence[back[0] + 1])}; seal the run again (standbook recover)"
        )
    named = {item.tag for item in stand.input}
    counts = {tag: values for tag, values in stream.counts.items() if tag in named}
    delays = {tag: stream.skews.get(tag, 0.0) - stream.latencies.get(tag, 0.0) for tag in counts}
    return RawStream(seconds_after(stream.host_ns, origin), counts, stream.rails, delays)


def _check_latencies(calibrations: Mapping[str, Calibration], streams: Mapping[str, StreamData]) -> None:
    """Refuse a latency that the board tells and the calibration states too: it would be taken off twice."""
    for stream in streams.values():
        for tag, latency in stream.latencies.items():
            if tag in calibrations and (stated := calibrations[tag].latency).value:
                raise ConfigError(
                    f"{calibrations[tag].name}.toml: latency is {stated.text}, and the board's own hello tells "
                    f"{1e3 * latency:g} ms for {tag}; take the key out of the calibration"
                )


def seconds_after(host_ns: NDArray[np.int64], origin_ns: int) -> Array:
    """Return seconds after an instant; the difference is taken in whole nanoseconds first."""
    seconds = np.empty(host_ns.size)
    for part in parts_of(host_ns.size):
        np.multiply(host_ns[part] - origin_ns, 1e-9, out=seconds[part])
    return seconds


def _health(run: Run, stream: StreamData, device: str, origin: int) -> RecordHealth:
    known = run.record.devices[device]
    gaps = tuple(
        Gap(
            (gap.start_ns - origin) * 1e-9,
            (gap.end_ns - origin) * 1e-9,
            (gap.end_ns - gap.start_ns) * 1e-9,
            gap.rows or 0,
        )
        for gap in stream.gaps
    )
    clock = known.clock
    return RecordHealth(
        rows=stream.sequence.size,
        lost_rows=sum(gap.rows for gap in gaps),
        gaps=gaps,
        boots=known.boots,
        clock_ppm=Measured(clock.rate_ppm, clock.u_ppm, "ppm") if clock else None,
        damaged_frames=known.damaged_frames,
        filled_rows=int(np.count_nonzero(stream.filled)),
        clock_bend=None if clock is None or clock.bend_percent is None else 1e-2 * clock.bend_percent,
        t_zero_sequence=_first_since(run, stream),
    )


def _first_since(run: Run, stream: StreamData) -> int | None:
    """Return the sequence number of the first row at or after T-0."""
    if run.record.t_zero is None:
        return None
    row = int(np.searchsorted(stream.host_ns, run.record.t_zero.host_ns))
    return int(stream.sequence[row]) if row < stream.sequence.size else None


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
                ROWS_FILLED.at(
                    None,
                    start,
                    rows=part.rows,
                    plural="s" if part.rows > 1 else "",
                    key=key,
                    places=places,
                    were="were" if part.rows > 1 else "was",
                    added_name=added.name,
                    source=added.fill.source,
                    overlap_rows=part.overlap_rows,
                )
            )
    return said


def _clock_u(run: Run, device: str) -> float:
    """Return the relative uncertainty of a device's rate: as fitted, else its tolerance as rectangular limits."""
    clock = run.record.devices[device].clock
    if clock is not None:
        return clock.u_ppm * 1e-6
    return run.stand.device_named(device).clock_tolerance.value / math.sqrt(3.0)


def _is_clock_checked(run: Run, device: str) -> bool:
    """Tell whether arrivals at this computer checked the rate of a device's clock; an import's was never here."""
    clock = run.record.devices[device].clock
    if clock is None or clock.hull_u_ppm is None or clock.method == "tolerance":
        return False  # no arrivals, or such as no clock could make
    return clock.hull_u_ppm <= CLOCK_CHECKED_PPM


def _weighings(run: Run) -> dict[str, Weighing]:
    ambient, found = run.plan.site.ambient_pressure, {}
    for tank, w in run.weighings.items():
        read = absolute(w.start_pressure, ambient) if w.start_pressure is not None else None
        found[tank] = Weighing(
            residual=_measured(w.residual),
            caught=_measured(w.caught),
            expelled=_measured(w.expelled),
            start_pressure=Measured(read.value, read.u, "Pa") if read is not None else None,
            vented=w.vented,
            boil_off=_measured(w.boil_off),
        ).put_right(in_air(run.plan, tank))
    return found


def _check_weights(run: Run) -> tuple[CheckWeight, ...]:
    return tuple(
        CheckWeight(
            w.hung,
            Measured(w.mass.value, w.mass.u, w.mass.unit),
            Measured(w.reading.value, w.reading.u, w.reading.unit),
        )
        for w in run.check_weights
    )


def _edges(run: Run, origin: int) -> tuple[LineEdge, ...]:
    return tuple(
        LineEdge(edge.line, edge.level, (edge.host_ns - origin) * 1e-9)
        for device in run.record.devices.values()
        for edge in device.edges
    )


def _marks(run: Run, origin: int) -> tuple[CrewMark, ...]:
    return tuple(
        CrewMark(mark.text, mark.key, (mark.host_ns - origin) * 1e-9, mark.struck) for mark in run.record.marks
    )


def _measured(quantity: Quantity | None) -> Measured | None:
    return Measured(quantity.value, quantity.u, quantity.unit) if quantity is not None else None


def _notes(run: Run, origin: int) -> list[Finding]:
    return [
        DEVICE_NOTE.at(
            None,
            None if note.host_ns is None else (note.host_ns - origin) * 1e-9,
            severity=note.severity,
            name=name,
            note_text=note.text,
        )
        for name, device in run.record.devices.items()
        for note in few_notes(device.notes)
    ]
