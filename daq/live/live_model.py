"""Compute everything that a screen shows of a recording in progress, from what was decoded so far.

Values are SI, each pressure in the reference of its calibration; ages are seconds of the computer's monotonic clock,
everything that counts from the start or from T-0 is seconds of the device's. Nothing is held: a value that cannot be
vouched for is withdrawn with its reason. Pure: no file, no clock, no terminal; the sealed record counts again.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Final

from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.display_units import Chosen, shown_unit
from standbook.daq.live.alarms import Alarms, at_words
from standbook.daq.live.channel_monitor import WINDOW, ChannelMonitor, ChannelReading
from standbook.daq.live.intake import Intake
from standbook.daq.live.live_clock import Moment
from standbook.daq.live.live_state import (
    ImpulseState,
    Indication,
    LiveState,
    MarkState,
    Phase,
    RedlineState,
    Validity,
)
from standbook.daq.live.mark_response import MarkRemark
from standbook.daq.live.phase_tracker import PhaseWatch, Span
from standbook.daq.live.redlines import RedlineWatch
from standbook.daq.live.running_impulse import BEHIND, RunningImpulse
from standbook.daq.live.stuck_sensing_line import StuckLineDetector, movement, neighbours_of
from standbook.daq.live.vessel_agreement import VesselMonitor
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.run.marks import CrewMark

JUDGED_EVERY: Final = 0.05  # [s] of the device, while something flows
JUDGED_IDLE: Final = 0.1  # [s] of the device, else
RESPONSE_EVERY: Final = 0.25  # [s] of the device
# A process that was held up finds rows that are older than the moment it last judged. Samples are counted at least
# this often then, long before they fall out of a ring.
COUNTED_EVERY: Final = 1.0  # [s] of the device
AT_LEAST_EVERY: Final = 0.02  # [s] of the computer, for a rehearsal that plays fast
EARLY: Final = 0.85  # of the predicted time: thrust that ends before is called by what watches the burn
WATCHED_ON: Final = 0.5  # [s] of the device, after such an end
SEARCH_STEP: Final = 0.25  # [s], looking for the end of the prediction
SEARCH_TO: Final = 600.0  # [s]

Bands = Callable[[str, float], tuple[float, float] | None]


class Live:
    """Live model: takes in decoded pieces of all devices and returns the state at a moment.

    Parameters
    ----------
    plan, stand, calibrations
        As locked; calibrations by tag.
    started_ns : int
        When recording began, monotonic. [ns]
    bands : callable of (tag, seconds after T-0), optional
        Predicted lowest and highest value in the reference of the tag's calibration [SI], ``None`` where the
        prediction says nothing. Of a thrust cell it is the thrust; the weight that the cell reads besides is added.
    expelled_weight : callable of seconds after T-0, optional
        Predicted weight of what has left, for the running impulse. [N]
    rehearsal : bool
        The run is one, whatever a board says.

    Notes
    -----
    Judged every 0.05 or 0.1 s of the device as pieces come, and when a picture is asked for, so that what is latched
    does not depend on how often a screen looks.
    """

    def __init__(
        self,
        plan: Plan,
        stand: Stand,
        calibrations: Mapping[str, Calibration],
        *,
        started_ns: int,
        bands: Bands | None = None,
        expelled_weight: Callable[[float], float] | None = None,
        rehearsal: bool = False,
    ) -> None:
        self._plan, self._stand, self._rehearsal = plan, stand, rehearsal
        self._started_ns, self._bands = started_ns, bands
        self._edge = plan.test.t_zero_edge
        self._intakes = _intakes(plan, stand)
        self._monitors = _monitors(stand, calibrations)
        pressures = [monitor for monitor in self._monitors.values() if monitor.is_pressure]
        self._responses = {g.tag: StuckLineDetector(g, neighbours_of(g, pressures)) for g in pressures}
        self._vessels = _vessels(plan, stand, self._monitors)
        is_firing = plan.kind.fires
        close_after = plan.flow.close_after
        self._phase = PhaseWatch(
            is_firing=is_firing, flow_duration=close_after.value if close_after is not None and not is_firing else None
        )
        self._redlines = _redlines(plan, self._monitors, stand.display.chosen)
        self._impulse = _impulse(plan, stand, self._monitors, expelled_weight)
        self._alarms = Alarms(stand, self._monitors)
        self._marks: tuple[CrewMark, ...] = ()
        self._remarks: dict[int, MarkRemark] = {}
        self._readings: dict[str, ChannelReading] = {}
        self._standings = dict.fromkeys(self._monitors, Validity.NO_DATA)
        self._said: dict[str, str] = {}
        self._judged_ns: int | None = None
        self._moved_ns: int | None = None
        self._heard_ns: dict[str, int] = {}  # by device: arrival of its newest piece
        self._counted_ns: dict[str, int] = {}  # the same, when samples were counted last
        self._expected_end: float | None = None
        self._looked_for_end = False

    def take(self, taken: Taken) -> None:
        """Take in one piece of one device; pieces of a device come in the order of its bytes."""
        intake = self._intakes.get(taken.device)
        if intake is None:
            return
        edges = intake.take(taken)
        for monitor in self._monitors.values():
            if monitor.item.device == taken.device:
                ring = intake.rings.get("" if intake.device.text_lines is not None else monitor.item.stream)
                if ring is not monitor.ring and ring is not None:
                    self._advance_impulse(monitor, behind=0.0)  # what the earlier rows still hold
                    monitor.attach(ring)
        for at, level in edges:
            assert self._edge is not None  # noqa: S101 - only then are edges asked for
            self._phase.edge(at, is_t_zero=level == self._edge.rising)
        self._heard_ns[taken.device] = taken.arrival_ns
        every = JUDGED_IDLE if self._phase.flowing_since is None else JUDGED_EVERY
        due = max(every / intake.time_scale, AT_LEAST_EVERY)
        if self._judged_ns is None or taken.arrival_ns - self._judged_ns >= due * 1e9:
            self._judge(taken.arrival_ns)
            return
        counted = self._counted_ns.setdefault(taken.device, taken.arrival_ns)
        if (taken.arrival_ns - counted) * intake.time_scale >= COUNTED_EVERY * 1e9:
            self._count()

    def show_marks(self, marks: Sequence[CrewMark]) -> None:
        """Update the marks, from a ``MarkLog`` or as read from the run's file."""
        self._marks = tuple(marks)
        planned = {mark.key: mark for mark in self._plan.mark}
        tanks = {tag: g for tag, g in self._monitors.items() if g.item.measures == measurands.TANK_PRESSURE}
        for mark in self._marks:
            said = planned.get(mark.key)
            if mark.number not in self._remarks and said is not None and (said.rises or said.still):
                named = {tag: self._monitors[tag] for tag in (said.rises, said.still) if tag in self._monitors and tag}
                self._remarks[mark.number] = MarkRemark(mark, said, {**tanks, **named})

    def state(self, now_ns: int) -> LiveState:
        """Return the state at a moment of the monotonic clock. [ns]."""
        self._judge(now_ns)
        phase = self._phase
        scale = self._scale
        elapsed = (now_ns - self._started_ns) / 1e9 * scale
        since = self._after_t_zero(now_ns)
        began = phase.since.host_ns if phase.since is not None else self._started_ns
        return LiveState(
            elapsed=elapsed,
            since_t_zero=since,
            phase=phase.phase,
            phase_seconds=max(0.0, (now_ns - began) / 1e9 * scale),
            rehearsal=self._rehearsal or any(intake.is_rehearsal for intake in self._intakes.values()),
            channels=self._indications(since),
            vessels=tuple(v.state(self._readings, self._standings, phase.phase) for v in self._vessels),
            redlines=self._redline_states(now_ns),
            impulse=self._impulse_state(),
            marks=tuple(self._mark_state(mark) for mark in self._marks),
            alarms=self._alarm_sentences(),
        )

    # --- judging -----------------------------------------------------------------------------------------

    def _judge(self, now_ns: int) -> None:
        self._judged_ns = now_ns
        flowing = self._phase.flowing_since is not None
        self._readings = {tag: monitor.evaluate(now_ns, in_flow=flowing) for tag, monitor in self._monitors.items()}
        if self._moved_ns is None or (now_ns - self._moved_ns) * self._scale >= RESPONSE_EVERY * 1e9:
            self._moved_ns = now_ns
            moves = {
                tag: movement(self._monitors[tag]) for tag in self._responses if self._readings[tag].value is not None
            }
            for response in self._responses.values():
                response.judge(moves, self._phase.flowing_since)
        for tag, response in self._responses.items():
            look = self._readings[tag]
            if response.silent and look.value is not None:
                self._readings[tag] = ChannelReading(
                    standing=Validity.NOT_RESPONDING, value=None, noise=look.noise, rows=look.rows, age=look.age
                )
        self._standings = {tag: look.standing for tag, look in self._readings.items()}
        seconds = (now_ns - self._started_ns) / 1e9 * self._scale
        for vessel in self._vessels:
            vessel.judge(self._readings, seconds, is_safing=self._phase.phase is Phase.SAFING)
            for monitor in vessel.monitors:
                if vessel.apart and self._standings[monitor.tag] is Validity.INDICATED:
                    self._standings[monitor.tag] = Validity.DISAGREES
        self._look_at_phase(now_ns)
        self._count()
        quiet = {name for name, intake in self._intakes.items() if intake.played_out}
        self._alarms.note(self._standings, self._readings, now_ns, played_out=quiet)
        values = {tag: look.value for tag, look in self._readings.items()}
        for remark in self._remarks.values():
            remark.update(values, now_ns, self._scale)

    def _count(self) -> None:
        """Take in samples that are new: redlines, running impulse."""
        self._counted_ns = dict(self._heard_ns)
        for watch in self._redlines:
            vouched = self._standings[watch.redline.tag] is not Validity.NOT_RESPONDING
            watch.advance(self._span(Phase(watch.redline.phase)), vouched=vouched)
        if self._impulse is not None:
            self._advance_impulse(self._impulse.monitor)

    def _advance_impulse(self, monitor: ChannelMonitor, *, behind: float = BEHIND) -> None:
        if self._impulse is not None and self._impulse.monitor is monitor:
            burn = self._phase.spans.get(Phase.BURN)
            self._impulse.advance(self._phase.t_zero, burn.end if burn is not None else None, behind=behind)
            if self._standings[monitor.tag] is Validity.BEYOND:
                self._impulse.read_beyond()

    def _look_at_phase(self, now_ns: int) -> None:
        zero = self._phase.t_zero
        intake = self._intakes.get(self._edge.device) if self._edge is not None else None
        base = zero.base if zero is not None else intake.base if intake is not None else None
        if base is None:
            return
        values = {}
        for tag, monitor in self._monitors.items():
            value = self._readings[tag].value
            if value is not None and monitor.item.measurand.is_of_burn:
                values[tag] = (value, monitor.full_range)
        self._phase.update(Moment(base, base.ticks_at(now_ns)), values)

    def _span(self, phase: Phase) -> Span | None:
        span = self._phase.spans.get(phase)
        if span is None or span.end is None or phase is not Phase.BURN or not self._phase.by_itself:
            return span
        zero, expected = self._phase.t_zero, self._end_of_prediction()
        if zero is None or expected is None:
            return span
        lasted = (span.end.ticks - zero.ticks) / zero.base.tick_hz
        return Span(span.start, span.end.later(WATCHED_ON)) if lasted < EARLY * expected else span

    def _end_of_prediction(self) -> float | None:
        """When the predicted chamber pressure or thrust ends, by the bands."""
        if self._bands is None or self._looked_for_end:
            return self._expected_end
        self._looked_for_end = True
        tags = [tag for tag, monitor in self._monitors.items() if monitor.item.measurand.is_of_burn]
        for step in range(round(SEARCH_TO / SEARCH_STEP)):
            second = step * SEARCH_STEP
            if any(self._bands(tag, second) is not None for tag in tags):
                self._expected_end = second
        return self._expected_end

    # --- saying ------------------------------------------------------------------------------------------

    @property
    def _scale(self) -> float:
        return max(intake.time_scale for intake in self._intakes.values())

    def _after_t_zero(self, host_ns: int) -> float | None:
        zero = self._phase.t_zero
        return None if zero is None else (host_ns - zero.host_ns) / 1e9 * zero.base.time_scale

    def _at(self, host_ns: int) -> float:
        """Seconds after T-0, or after the start of the recording before there is one."""
        since = self._after_t_zero(host_ns)
        return since if since is not None else (host_ns - self._started_ns) / 1e9 * self._scale

    def _indications(self, since: float | None) -> tuple[Indication, ...]:
        keys = self._plan.test.minimum_data
        order = [tag for tag in keys if tag in self._monitors] + [tag for tag in self._monitors if tag not in keys]
        found = []
        for tag in order:
            monitor, standing = self._monitors[tag], self._standings[tag]
            look = self._readings[tag]
            # A value is as old as it says, and in the middle of what it averages: so old is the band beside it.
            at = since - (look.age or 0.0) * self._scale - WINDOW / 2.0 if since is not None else -1.0
            band = self._bands(tag, at) if self._bands is not None and at >= 0.0 else None
            if band is not None and monitor.item.measures == measurands.THRUST:
                is_summed = self._impulse is not None and self._impulse.monitor is monitor
                band = self._impulse.as_read(band, at) if self._impulse is not None and is_summed else None
            low, high = band if band is not None else (None, None)
            found.append(
                Indication(
                    tag=tag,
                    measures=monitor.item.measures,
                    tank=monitor.item.tank,
                    dimension=monitor.calibration.dimension,
                    unit=shown_unit(monitor.calibration.reading_unit, self._stand.display.chosen),
                    reference=monitor.calibration.reference,
                    value=look.value if standing.is_shown else None,
                    age=look.age,
                    standing=standing,
                    low=low,
                    high=high,
                    is_key=tag in keys,
                )
            )
        return tuple(found)

    def _redline_states(self, now_ns: int) -> tuple[RedlineState, ...]:
        tripped = sorted(
            (watch.tripped.host_ns, number) for number, watch in enumerate(self._redlines) if watch.tripped is not None
        )
        order = {number: place for place, (_, number) in enumerate(tripped, start=1)}
        found = []
        for number, watch in enumerate(self._redlines):
            line, standing = watch.redline, self._standings[watch.redline.tag]
            span = self._phase.spans.get(Phase(line.phase))
            begin = watch.begins(span) if span is not None else None
            is_on = self._phase.phase.value == line.phase and (begin is None or now_ns >= begin.host_ns)
            is_watched = standing.is_shown or watch.tripped is not None  # it is latched
            words = "" if is_watched else f"; not watched: {line.tag} {standing.value}"
            found.append(
                RedlineState(
                    name=line.name,
                    call=line.call,
                    tag=line.tag,
                    armed=is_on and standing.is_shown,
                    tripped_at=self._at(watch.tripped.host_ns) if watch.tripped is not None else None,
                    order=order.get(number),
                    text=watch.text + words,
                )
            )
        return tuple(found)

    def _impulse_state(self) -> ImpulseState | None:
        if self._impulse is None:
            return None
        return self._impulse.state(self._standings[self._impulse.monitor.tag])

    def _mark_state(self, mark: CrewMark) -> MarkState:
        remark = self._remarks.get(mark.number)
        at = self._at(mark.monotonic_ns)
        return MarkState(
            number=mark.number,
            text=mark.text,
            at=at,
            struck=mark.struck,
            remark=remark.text if remark is not None else "",
        )

    def _alarm_sentences(self) -> tuple[str, ...]:
        """First-out first, over everything that must be called."""
        standing = [*self._alarms.standing()]
        for watch in self._redlines:
            if watch.tripped is not None:
                standing.append((watch.tripped.host_ns, f"{watch.redline.call}: {watch.text}"))
        if self._phase.phase is Phase.MISFIRE and self._phase.since is not None:
            standing.append((self._phase.since.host_ns, "MISFIRE: fire command seen, nothing lit"))
        # Said once and kept: the map of a clock moves by milliseconds, and T-0 may come later.
        has_zero = self._phase.t_zero is not None
        said = {text: f"{text} {at_words(self._at(ns), has_zero)}" for ns, text in standing}
        self._said = {text: self._said.get(text, words) for text, words in said.items()}
        return tuple(self._said[text] for _, text in sorted(standing))


def _intakes(plan: Plan, stand: Stand) -> dict[str, Intake]:
    """Make an intake for each device; the one that times T-0 watches its line."""
    edge = plan.test.t_zero_edge
    return {
        device.name: Intake(
            device,
            edge.line if edge is not None and edge.device == device.name else None,
            {item.stream for item in stand.input if item.device == device.name},
        )
        for device in stand.device
    }


def _redlines(plan: Plan, monitors: Mapping[str, ChannelMonitor], chosen: Chosen) -> list[RedlineWatch]:
    return [
        RedlineWatch(line, monitors[line.tag], plan.site.ambient_pressure, chosen)
        for line in plan.redline
        if line.tag in monitors
    ]


def _monitors(stand: Stand, calibrations: Mapping[str, Calibration]) -> dict[str, ChannelMonitor]:
    """Make a gauge for every calibrated input, in the stand's order; supplies are known to what they feed."""
    inputs = [item for item in stand.input if item.tag in calibrations]
    feeding = [item for item in inputs if item.measures == measurands.SUPPLY_VOLTAGE]
    supplies = {item.tag: ChannelMonitor(item, calibrations[item.tag]) for item in feeding}
    return {
        item.tag: supplies.get(item.tag)
        or ChannelMonitor(item, calibrations[item.tag], supplies.get(item.supply) if item.supply else None)
        for item in inputs
    }


def _vessels(plan: Plan, stand: Stand, monitors: Mapping[str, ChannelMonitor]) -> list[VesselMonitor]:
    ambient, chosen = plan.site.ambient_pressure, stand.display.chosen
    found = []
    for tank in dict.fromkeys(item.tank for item in stand.measuring(measurands.TANK_PRESSURE) if item.tank):
        inputs = stand.measuring(measurands.TANK_PRESSURE, tank)
        sensors = [monitors[item.tag] for item in inputs if item.tag in monitors]
        if sensors:
            found.append(VesselMonitor(f"{tank} tank", sensors, ambient, chosen=chosen))
    chamber = [monitors[item.tag] for item in stand.measuring(measurands.CHAMBER_PRESSURE) if item.tag in monitors]
    return [*found, VesselMonitor("chamber", chamber, ambient, vents=False, chosen=chosen)] if chamber else found


def _impulse(
    plan: Plan,
    stand: Stand,
    monitors: Mapping[str, ChannelMonitor],
    expelled_weight: Callable[[float], float] | None,
) -> RunningImpulse | None:
    cells = [monitors[item.tag] for item in stand.measuring(measurands.THRUST) if item.tag in monitors]
    if plan.impulse_class is None or not cells:
        return None
    # Nozzle down, tanks on the cell: thrust lifts what weight presses down, so lost weight reads as thrust.
    on_cell = stand.tanks_on_cell and stand.nozzle != "horizontal"
    sign = (1 if stand.nozzle == "down" else -1) if on_cell else 0
    return RunningImpulse(cells[0], plan.impulse_class, weight_sign=sign, expelled_weight=expelled_weight)
