"""Report the pressure of a tank or the chamber where two sensors agree, else "unknown".

Two sensors agree when their readings differ by no more than three combined standard uncertainties of their
calibrations and noise. Values are SI, in the reference of the vessel's first sensor. No sentence here says that
anything may be approached; the mechanical gauge has the last word.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from standbook.daq.config.calibration import Calibration
from standbook.daq.display_units import Chosen, shown_unit
from standbook.daq.live.channel_monitor import ChannelMonitor, ChannelReading
from standbook.daq.live.live_state import Phase, Validity, VesselState
from standbook.daq.quantity import Quantity, Reference, in_unit

COVERAGE: Final = 3.0  # combined standard uncertainties
PAST: Final = 0.02  # [s]; two sensors of different latency may read values this far apart in time
PARTED_FOR: Final = 0.3  # [s] of the device before it is said
MOVED: Final = 0.05  # of full range: a sensor has seen the pressure change
FELL: Final = 0.03  # of full range, since safing began: it has seen the venting


def reading_u(calibration: Calibration, value: float, noise: float, rows: int) -> float:
    """Compute the standard uncertainty of a mean, from calibration and noise. [SI].

    Notes
    -----
    Zero, slope (of the reading) and hysteresis (of full range) in square; a tenth of the rows count as independent.
    """
    scale = calibration.scale
    slope = calibration.slope_u() * abs(value)
    hysteresis = calibration.hysteresis_uncertainty.value * (calibration.highest - calibration.lowest) * scale
    scatter = noise / math.sqrt(max(1.0, rows / 10.0))
    reference = calibration.reference_span_u() * scale
    return math.hypot(calibration.zero_uncertainty * scale, slope, hysteresis, reference, scatter)


def in_reference(value: float, of: Reference | None, wanted: Reference | None, ambient: Quantity) -> float:
    """Convert a pressure from one reference to the other. [Pa]."""
    if of == "gauge" and wanted == "absolute":
        return value + ambient.value
    if of == "absolute" and wanted == "gauge":
        return value - ambient.value
    return value


@dataclass(slots=True)
class Seen:
    """Readings of one sensor of a vessel so far: extremes, at safing, one look ago. [SI]."""

    lowest: float = math.inf
    highest: float = -math.inf
    at_safing: float | None = None
    before: float | None = None  # the value at the look before this one


class VesselMonitor:
    """Compare the sensors of one vessel.

    Parameters
    ----------
    name : str
        As it is shown.
    monitors : sequence of ChannelMonitor
        Its sensors, one at least.
    ambient : Quantity
        Barometer, absolute. [Pa]
    vents : bool
        Somebody vents it in safing, as a tank; a chamber empties by itself, often before safing is seen to begin.
    chosen : mapping of dimension to unit
        In which people are shown its pressure.
    """

    def __init__(
        self,
        name: str,
        monitors: Sequence[ChannelMonitor],
        ambient: Quantity,
        *,
        vents: bool = True,
        chosen: Chosen | None = None,
    ) -> None:
        self.name, self._vents = name, vents
        self._unit = shown_unit(monitors[0].calibration.reading_unit, chosen or {})
        self.monitors = tuple(monitors)
        self._ambient = ambient
        self._seen = {monitor.tag: Seen() for monitor in monitors}
        self._parted_since: float | None = None
        self.apart = False  # two indicated sensors disagree

    def judge(self, readings: dict[str, ChannelReading], seconds: float, *, is_safing: bool) -> None:
        """Update with the sensors' readings; ``seconds`` of the device, growing."""
        shown = [(g, look) for g in self.monitors if (look := readings[g.tag]).value is not None]
        if not shown:  # a silent device says nothing new: who had parted has parted when it speaks again
            self.apart = False
            for seen in self._seen.values():
                seen.before = None
            return
        speeds = []
        for monitor, look in shown:
            seen, value = self._seen[monitor.tag], look.value
            assert value is not None  # noqa: S101 - filtered above
            seen.lowest, seen.highest = min(seen.lowest, value), max(seen.highest, value)
            if not is_safing:
                seen.at_safing = None
            elif seen.at_safing is None or value > seen.at_safing:
                seen.at_safing = value
            speeds.append(0.0 if seen.before is None else abs(value - seen.before))
            seen.before = value
        # Looks are at least 0.05 s apart and means are over 0.1 s; both sensors' movement between two looks bounds
        # what a few milliseconds of latency can do.
        parted = len(shown) >= 2 and self._spread(shown) > sum(speeds) * (PAST / 0.05)
        if not parted:
            self._parted_since, self.apart = None, False
        elif self._parted_since is None:
            self._parted_since = seconds
        elif seconds - self._parted_since >= PARTED_FOR:
            self.apart = True

    def _spread(self, shown: Sequence[tuple[ChannelMonitor, ChannelReading]]) -> float:
        """By how much the widest pair exceeds what its uncertainties allow. [Pa]."""
        values = [self._common(monitor, look) for monitor, look in shown]
        us = [reading_u(g.calibration, v, look.noise, look.rows) for (g, look), v in zip(shown, values, strict=True)]
        most = -math.inf
        for i in range(len(values)):
            for k in range(i):
                most = max(most, abs(values[i] - values[k]) - COVERAGE * math.hypot(us[i], us[k]))
        return most

    def _common(self, monitor: ChannelMonitor, look: ChannelReading) -> float:
        first = self.monitors[0].calibration
        assert look.value is not None  # noqa: S101 - asked only for shown values
        return in_reference(look.value, monitor.calibration.reference, first.reference, self._ambient)

    def state(self, readings: dict[str, ChannelReading], standings: dict[str, Validity], phase: Phase) -> VesselState:
        """Return the vessel's state; ``standings`` as finally judged."""
        calibration = self.monitors[0].calibration
        tags = tuple(monitor.tag for monitor in self.monitors)
        good = [monitor for monitor in self.monitors if standings[monitor.tag] is Validity.INDICATED]
        ages = [age for monitor in good if (age := readings[monitor.tag].age) is not None]
        why = self._why_unknown(good, standings, phase)
        agree = None if len(good) < 2 and not self.apart else not self.apart
        if why:
            words = f"{self.name}: unknown; {why}; use the mechanical gauge"
            return VesselState(
                name=self.name,
                sensors=tags,
                value=None,
                unit=self._unit,
                reference=calibration.reference,
                age=max(ages, default=None),
                agree=agree,
                sentence=words,
            )
        values = [self._common(monitor, readings[monitor.tag]) for monitor in good]
        value = sum(values) / len(values)
        held = f"{_listed([g.tag for g in good])} agree, {self._moved(good, phase)}"
        if len(self.monitors) == 1:
            held = f"by {tags[0]} alone, which nothing else bears out"
        words = (
            f"{self.name} {in_unit(value, self._unit):z.1f} {self._unit}, {max(ages):.1f} s old, {held}; "
            "confirm with the mechanical gauge"
        )
        return VesselState(
            name=self.name,
            sensors=tags,
            value=value,
            unit=self._unit,
            reference=calibration.reference,
            age=max(ages),
            agree=agree,
            sentence=words,
        )

    def _why_unknown(self, good: Sequence[ChannelMonitor], standings: dict[str, Validity], phase: Phase) -> str:
        if self.apart:
            return f"{_listed([g.tag for g in self.monitors])} disagree"
        lost = [f"{g.tag}: {standings[g.tag].value}" for g in self.monitors if g not in good]
        if len(self.monitors) < 2:  # a tank is never believed one sensor; a chamber has often no other
            return ", ".join(lost) or (f"{self.monitors[0].tag} is its only sensor" if self._vents else "")
        if len(good) < 2:
            return ", ".join(lost)
        if phase is Phase.SAFING:
            dull = [g.tag for g in good if self._range_seen(g) < MOVED * g.full_range]
            if dull:
                return f"{_listed(dull)} {'has' if len(dull) == 1 else 'have'} not moved since the recording began"
        return ""

    def _range_seen(self, monitor: ChannelMonitor) -> float:
        seen = self._seen[monitor.tag]
        return seen.highest - seen.lowest

    def _moved(self, good: Sequence[ChannelMonitor], phase: Phase) -> str:
        all_of = "both" if len(good) == 2 else "all"
        if phase is not Phase.SAFING:
            moved = all(self._range_seen(g) >= MOVED * g.full_range for g in good)
            return f"{all_of} have moved" if moved else "not both have moved yet"
        fell = []
        for monitor in good:
            seen = self._seen[monitor.tag]
            high = seen.at_safing if self._vents else seen.highest
            if high is not None and seen.before is not None:
                fell.append(high - seen.before >= FELL * monitor.full_range)
        if not self._vents:
            return f"{all_of} have fallen" if fell and all(fell) else "no fall seen by both"
        return f"{all_of} responded to venting" if fell and all(fell) else "no venting seen by both"


def _listed(tags: Sequence[str]) -> str:
    return tags[0] if len(tags) == 1 else f"{', '.join(tags[:-1])} and {tags[-1]}"
