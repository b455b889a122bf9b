"""Check at a crew mark whether the channel that should rise did, or another in its place.

Swapped cables of two tanks show here, at the first pressurising. Readings are SI; only differences are
used, so a pressure's reference does not matter.
"""

from collections.abc import Mapping
from typing import Final

from standbook.daq.config.plan import Mark
from standbook.daq.live.channel_monitor import ChannelMonitor
from standbook.daq.run.marks import CrewMark

ROSE: Final = 0.03  # of full range
SETTLES: Final = 0.3  # [s] of the device from the first rise to the sentence: what is coupled has risen by then
WITHIN: Final = 10.0  # [s] of the device; a slow valve is opened by hand
BEFORE: Final = 0.3  # [s] of the device, averaged before the mark


class MarkRemark:
    """Watch the channels after one mark.

    Parameters
    ----------
    mark : CrewMark
        As dropped.
    planned : Mark
        What the plan says of its key.
    monitors : mapping of tag to ChannelMonitor
        Tank pressures, and what the plan's mark names.
    """

    def __init__(self, mark: CrewMark, planned: Mark, monitors: Mapping[str, ChannelMonitor]) -> None:
        self.text = ""
        self.is_done = False
        self._planned, self._monitors = planned, monitors
        self._at_ns = mark.monotonic_ns
        self._first_rise: float | None = None
        self._baseline: dict[str, float] = {}
        for tag, monitor in monitors.items():
            ring = monitor.ring
            if ring is not None and ring.newest is not None:
                at = ring.base.ticks_at(mark.monotonic_ns)
                value = monitor.mean(ring.between(at - ring.base.span(BEFORE), at))
                if value is not None:
                    self._baseline[tag] = value
        if not self._baseline:
            self.is_done = True  # dropped before what is known here

    def update(self, values: Mapping[str, float | None], now_ns: int, time_scale: float) -> None:
        """Update with what is indicated now; once made, the sentence does not change."""
        if self.is_done:
            return
        seconds = (now_ns - self._at_ns) / 1e9 * time_scale
        rose = [
            tag
            for tag, before in self._baseline.items()
            if (value := values.get(tag)) is not None and value - before >= ROSE * self._monitors[tag].full_range
        ]
        # Its redundant sensor alone says nothing of the cables: there is time left for the one that was named.
        wanted = self._planned.rises
        if self._first_rise is None and any(tag == wanted or self._is_elsewhere(tag) for tag in rose):
            self._first_rise = seconds
        settled = self._first_rise is not None and seconds >= self._first_rise + SETTLES
        if settled or seconds >= WITHIN:
            self.text, self.is_done = self._sentence(rose), True

    def _sentence(self, rose: list[str]) -> str:
        wanted, still = self._planned.rises, self._planned.still
        words = []
        if wanted is not None:
            others = [tag for tag in rose if self._is_elsewhere(tag)]
            twins = [tag for tag in rose if tag != wanted and not self._is_elsewhere(tag)]
            if wanted not in self._baseline:
                words.append(f"{wanted} was not indicated")
            elif wanted in rose:
                words.append(f"{wanted} rose")
            elif others:
                words.append(f"{' and '.join(others)} rose, {wanted} should have")
            else:
                but = f", {' and '.join(twins)} did" if twins else ""
                words.append(f"{wanted} did not rise within {WITHIN:g} s{but}")
        if still is not None and still in rose and (wanted is None or wanted in rose):
            words.append(f"{still} rose, which should have stayed still")
        elif still is not None and still not in rose and still in self._baseline:
            words.append(f"{still} stayed still")
        return "; ".join(words)

    def _is_elsewhere(self, tag: str) -> bool:
        wanted = self._planned.rises
        return wanted is None or self._vessel(tag) != self._vessel(wanted)

    def _vessel(self, tag: str) -> str:
        monitor = self._monitors.get(tag)
        return (monitor.item.tank or tag) if monitor is not None else tag
