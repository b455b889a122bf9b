"""Report channels that were indicated and no longer are, as alarm sentences in the order in which it happened.

A sentence stays word for word the same while it stands, so that a screen can sound it once. Redlines have their own
words; a lost link is said by whoever watches the link.
"""

from collections.abc import Mapping, Set
from dataclasses import dataclass

from standbook.daq.config.stand import Stand
from standbook.daq.live.channel_monitor import ChannelMonitor, ChannelReading
from standbook.daq.live.live_state import Validity


@dataclass(frozen=True, slots=True)
class Withdrawal:
    """A withdrawn channel: the reason, and since when."""

    standing: Validity
    since_ns: int  # monotonic [ns]


def at_words(seconds: float, has_t_zero: bool) -> str:
    """Say when, from T-0 or from the start of the recording."""
    return f"at T{seconds:+.2f} s" if has_t_zero else f"{seconds:.2f} s into the recording"


class Alarms:
    """Track the validity of all channels and keep the active alarms."""

    def __init__(self, stand: Stand, monitors: Mapping[str, ChannelMonitor]) -> None:
        self._tags = {
            device.name: [tag for tag, monitor in monitors.items() if monitor.item.device == device.name]
            for device in stand.device
        }
        self._indicated: set[str] = set()
        # What is wrong with a channel stands while its device is silent: only rows can say that it is over.
        self._withdrawn: dict[str, Withdrawal] = {}
        self._stale: dict[str, int] = {}  # tag, monotonic time of the newest row [ns]

    def note(
        self,
        standings: Mapping[str, Validity],
        readings: Mapping[str, ChannelReading],
        now_ns: int,
        *,
        played_out: Set[str] = frozenset(),
    ) -> None:
        """Update with the validities now; a device that has announced its last row is not late."""
        over = {tag for device in played_out for tag in self._tags.get(device, ())}
        for tag, standing in standings.items():
            if tag not in self._indicated and not standing.is_shown:
                continue
            if standing is Validity.STALE:
                if tag in over:
                    self._stale.pop(tag, None)
                else:
                    self._stale.setdefault(tag, now_ns - round((readings[tag].age or 0.0) * 1e9))
                continue
            was_stale = self._stale.pop(tag, None) is not None
            if standing.is_shown:
                self._indicated.add(tag)
                self._withdrawn.pop(tag, None)
                continue
            before = self._withdrawn.get(tag)
            if before is None or before.standing is not standing:
                seen = now_ns - round((readings[tag].age or 0.0) * 1e9)
                self._withdrawn[tag] = Withdrawal(standing, seen if before is None or was_stale else before.since_ns)

    def standing(self) -> tuple[tuple[int, str], ...]:
        """Return the active alarms: instant and sentence, without the instant in words."""
        found = []
        told: set[str] = set()
        for device, tags in self._tags.items():
            gone = [tag for tag in tags if tag in self._stale]
            if len(gone) > 1 and len(gone) == len(self._indicated & set(tags)):
                found.append((min(self._stale[tag] for tag in gone), f"{device}: no fresh data"))
                told |= set(gone)
        for tag, since in self._stale.items():
            if tag not in told:
                found.append((since, f"{tag} withdrawn: {Validity.STALE.value}"))
        apart = [tag for tag in self._withdrawn if self._is(tag, Validity.DISAGREES)]
        by_since: dict[int, list[str]] = {}
        for tag in apart:
            by_since.setdefault(self._withdrawn[tag].since_ns, []).append(tag)
        for since, tags in by_since.items():
            found.append((since, f"{' and '.join(tags)} withdrawn: sensors disagree"))
        for tag, withdrawal in self._withdrawn.items():
            if tag not in apart:
                found.append((withdrawal.since_ns, f"{tag} withdrawn: {withdrawal.standing.value}"))
        return tuple(sorted(found))

    def _is(self, tag: str, standing: Validity) -> bool:
        return tag in self._withdrawn and self._withdrawn[tag].standing is standing
