"""What a firing's tank tells by its own pressure: both ends of its flow, and faults of its signal.

SI, absolute pressures; times in seconds after T-0. The tests of the signal are those of a cold flow, with the chamber's
pressure in the drive; where thrust rises or the first liquid ends, what the drive does bends the tank's course, so a
step is looked for between the two. A sensor at fault is named with test and instant, and passed over.
"""

import math

import numpy as np

from standbook.analysis.blowdown.tank_record import pressurant_of
from standbook.analysis.channel_checks.channel_health import stuck_since
from standbook.analysis.channel_checks.tank_signals import (
    Decides,
    believed,
    end_faults,
    gap_faults,
    raw_faults,
    step_faults,
)
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset, left_aboard
from standbook.analysis.dataset.guard import FAILURES
from standbook.analysis.findings.record_faults import ENDS_BEFORE_THRUST, FALLS_AFTER_THRUST, HELD_VALUE
from standbook.analysis.flow_ends.flow_ends import Expected, FlowBound, TankRecord, flow_bounds
from standbook.analysis.record_faults.flow_trace import flow_trace
from standbook.analysis.record_faults.late_falls import LateFall, late_fall
from standbook.analysis.signal.valve_events import Event
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

Ends = tuple[FlowBound, FlowBound]
TELLS_NOTHING: tuple[type[Exception], ...] = (DataError, *FAILURES)
HOLD_BEFORE, LOOK_AFTER = 8.0, 10.0  # s before an opening and after thrust that a tank's own ends are sought in
ABOUT_OPENING = 0.6  # s about a break of the pressure in which the valve opened
LEAST_SAMPLES = 100
DRY_WITHIN = 3.0  # standard uncertainties of the left-over mass
DRY_SHARE = 0.012  # of the load: so much more may stay in a dry tank than the plan says
# Of 80 tanks of healthy simulated firings, of two kinds of stands, none opened later than 0.02 s and 3 u.
LATE, LATE_IN_U = 0.05, 3.0  # s, and standard uncertainties of the opening, after the rise of the thrust
# Of 199 tanks of healthy firings none seemed to end earlier than 0.3 s and 1.2 u before the chamber's pressure fell.
EARLY, EARLY_IN_U = 0.1, 3.0  # s, and standard uncertainties, by which an end comes before that
BURNS_ON = 2  # liquids, of which an engine needs both; what burns with one alone may burn its vapour on
BEFORE_STOP = 0.15  # s before the flow's end, from where on a tank may stand by itself
WITHHELD = "without another sensor of the tank c* and O/F are not given either"
DECIDES = Decides(
    signal=f"{WITHHELD}; a second sensor of the tank would decide; look at sensor, plug and cable",
    gap=f"{WITHHELD}; a second recorder's rows or a sensor on another stream would decide; look at the link",
)


def signal_faults(dataset: Dataset, channel: Channel, *, rises: float | None, until: float) -> list[Finding]:
    """Look for faults that need no end of the flow.

    Parameters
    ----------
    rises : float or None
        When thrust rises, where that is recorded. [s]
    until : float
        Until when liquid leaves: first run-out that the chamber shows, or stop of the thrust. [s]
    """
    ambient = dataset.plan.site.ambient_pressure.value
    found = raw_faults(channel, back_pressure=ambient, t_zero_known=dataset.t_zero is not None, decides=DECIDES)
    if found or rises is None:
        return found
    fall = late_fall(*believed(channel), since=rises, until=until)
    return [_falls_late(channel, fall)] if fall is not None else _frozen(channel, rises, until)


def _frozen(channel: Channel, rises: float, until: float) -> list[Finding]:
    """Look for a sensor that froze so late in the burn that its counts stand for a second only after it."""
    last = float(channel.time[-1])
    since = stuck_since(channel, rises, last)
    if since is None or since > until - BEFORE_STOP:
        return []
    still = (channel.time >= since) & (channel.counts == channel.counts[int(np.searchsorted(channel.time, since))])
    decide = DECIDES.signal
    return [
        HELD_VALUE.at(
            channel.tag,
            since,
            decided_by=decide,
            decide=decide,
            seconds=float(channel.time[still][-1]) - since,
            samples=int(np.count_nonzero(still)),
        )
    ]


def _falls_late(channel: Channel, fall: LateFall) -> Finding:
    decide = DECIDES.signal
    return FALLS_AFTER_THRUST.at(
        channel.tag, fall.time, decided_by=decide, decide=decide, late=fall.late, late_u=fall.u
    )


def own_ends(
    dataset: Dataset, tank: Tank, channel: Channel, drive: Array, *, about: tuple[Event, Event], rises: float | None
) -> tuple[Ends | None, list[Finding]]:
    """Return both ends of a flow by its own pressure and drive, if these tell them, and what speaks against them.

    Parameters
    ----------
    drive : (N,) array
        From ullage to chamber, on the channel's time. [Pa]
    about : tuple of Event
        Opening, and first run-out that the chamber shows or stop of the thrust, roughly.
    rises : float or None
        When thrust rises, where that is recorded. [s]
    """
    opens, stops = about[0].time, about[1].time
    first = opens - HOLD_BEFORE
    use = np.isfinite(channel.reading) & np.isfinite(drive)
    use &= (channel.time >= first) & (channel.time <= stops + LOOK_AFTER)
    if np.count_nonzero(use) < LEAST_SAMPLES:
        return None, []
    record = TankRecord(
        time=channel.time[use],
        pressure=channel.reading[use],
        drive=drive[use],
        step=channel.step,
        density=tank.liquid_density.value,
        pressurant=pressurant_of(dataset.plan, tank),
    )
    opening = (opens - ABOUT_OPENING, opens + ABOUT_OPENING)
    try:
        ends = flow_bounds(record, Expected(opening=opening, rest_from=first, dry=_gas_told(dataset, tank)))
        late = [] if rises is None else _late(channel, ends[0], rises)
        burning = (opens if rises is None else rises, stops)
        found = late or _against(channel, record, ends, rest_from=first, burning=burning)
        return ends, found or _early(dataset, channel, ends[1], about[1])
    except TELLS_NOTHING:  # by itself it tells nothing; the chamber's bend is left
        return None, []


def _late(channel: Channel, opened: FlowBound, rises: float) -> list[Finding]:
    """Look for an opening after the thrust has risen."""
    late = opened.time - rises
    if late <= LATE + LATE_IN_U * opened.u:
        return []
    return [_falls_late(channel, LateFall(opened.time, opened.u, late))]


def _early(dataset: Dataset, channel: Channel, ended: FlowBound, stops: Event) -> list[Finding]:
    """Look for an end before the chamber's pressure, or the thrust, falls."""
    early, u = stops.time - ended.time, math.hypot(ended.u, stops.u)
    if len(dataset.plan.tank) < BURNS_ON or early <= EARLY + EARLY_IN_U * u:
        return []
    decide = DECIDES.signal
    return [ENDS_BEFORE_THRUST.at(channel.tag, ended.time, decided_by=decide, decide=decide, early=early, early_u=u)]


def _against(
    channel: Channel, record: TankRecord, ends: Ends, *, rest_from: float, burning: tuple[float, float]
) -> list[Finding]:
    """Look for faults about and between the ends."""
    opened, ended = ends
    gap = gap_faults(channel, opening=opened.time, end=ended.time, until=burning[1], decides=DECIDES)
    if gap:
        return gap
    trace = flow_trace(record, opening=opened.time, end=ended.time, end_u=ended.u, rest_from=rest_from)
    return end_faults(channel.tag, trace, DECIDES) or step_faults(channel.tag, trace, DECIDES, within=burning)


def _gas_told(dataset: Dataset, tank: Tank) -> bool | None:
    """Tell by the scales whether gas may have ended a flow; they never tell when."""
    left, stays = left_aboard(dataset, tank), tank.unusable_residual
    if left is None:
        return None
    over = left.value - stays.value
    u = math.hypot(left.u, stays.u)
    return False if over > DRY_WITHIN * u + DRY_SHARE * tank.liquid_load.value else None
