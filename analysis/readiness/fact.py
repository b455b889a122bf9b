"""One fact of readiness: what was measured, how old it is, and what is lost where it does not hold. No I/O."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from standbook.daq.stand_sheets.waiver_file import Waiver

State = Literal["holds", "does not hold", "cannot tell", "not measured"]

UNKNOWN = 0.5  # chance of a fault where nothing was measured
LEAST = 0.01  # chance of a fault a day after a check that passed; judgement
DAY = 24.0  # h


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One thing that should be true before a run."""

    name: str  # unique on a page, "unit of PT-11"
    state: State
    found: str  # in words
    ruins: str  # what is lost without it, in numbers
    share: float  # of the objective that a fault loses, 0 to 1
    mend: str  # what would settle it
    minutes: float  # that takes
    age: float | None = None  # of the measurement [h]
    waiver: Waiver | None = None

    @property
    def chance(self) -> float:
        """Chance of a fault now: by the state, and by the age of a check that passed."""
        if self.state == "does not hold":
            return 1.0
        if self.state != "holds":
            return UNKNOWN
        return min(UNKNOWN, LEAST * max(1.0, (self.age or 0.0) / DAY))

    @property
    def loss(self) -> float:
        """Expected loss, as a share of the objective."""
        return self.chance * self.share

    @property
    def is_open(self) -> bool:
        """Tell whether somebody has to look: it does not hold, or nobody knows."""
        return self.state != "holds"


def share_lost(planned_u: float, added_u: float) -> float:
    r"""Return the share of an objective that a further uncertainty loses: :math:`1 - u^2 / (u^2 + a^2)`, relative."""
    total = planned_u**2 + added_u**2
    return added_u**2 / total if total > 0.0 and math.isfinite(total) else 1.0


def ranked(facts: Iterable[Fact]) -> tuple[Fact, ...]:
    """Return facts by expected loss, the largest first; of equal ones what is mended soonest."""
    return tuple(sorted(facts, key=lambda fact: (-fact.loss, fact.minutes, fact.name)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """Facts that one thing answers: a command, or something that people do."""

    mend: str  # what would settle them all
    minutes: float  # that takes, once for all
    facts: tuple[Fact, ...]  # by expected loss

    @property
    def loss(self) -> float:
        """Greatest expected loss among them: the losses are no sum."""
        return max(fact.loss for fact in self.facts)


def grouped(facts: Iterable[Fact]) -> tuple[Group, ...]:
    """Gather ranked facts by what answers them; the group with the greatest loss first, of equal ones the quickest."""
    found: dict[str, list[Fact]] = {}
    for fact in facts:
        found.setdefault(fact.mend, []).append(fact)
    groups = [
        Group(mend=mend, minutes=max(fact.minutes for fact in own), facts=tuple(own)) for mend, own in found.items()
    ]
    return tuple(sorted(groups, key=lambda group: (-group.loss, group.minutes, group.mend)))


def with_waivers(facts: Sequence[Fact], waivers: Sequence[Waiver]) -> tuple[tuple[Fact, ...], tuple[Waiver, ...]]:
    """Put waivers beside their facts, which stay as they are; return those of no open fact too."""
    by_name = {waiver.fact: waiver for waiver in waivers}
    found = tuple(replace(fact, waiver=by_name.get(fact.name)) if fact.is_open else fact for fact in facts)
    used = {fact.name for fact in found if fact.waiver is not None}
    return found, tuple(waiver for waiver in waivers if waiver.fact not in used)
