"""Lead a person through the steps of a check in place: what is to be done next, and what each input read then.

Pure but for the log of marks, which is handed in: no screen, no port. A step is taken once all of its inputs stand; one
that cannot be done today is left out by name.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from standbook.daq.bench.level_taking import BACK, LONGEST, TAKE, TYPED, UNMOVED_SHARE, is_number
from standbook.daq.bench.live_level import LiveLevels
from standbook.daq.bench.settled_level import Level
from standbook.daq.config.plan import LineEdgeName
from standbook.daq.run.marks import CrewMark, MarkLog

STEP_KEY: Final = "check"  # of the marks that are steps; no single key is called so
LEAVE_OUT: Final = ("n", "N")
ALL_THE_SAME: Final = ("a", "A")  # take a step although nothing has moved: all of its inputs are dead
MOVED: Final = 10.0  # standard uncertainties
SLASH: Final = "/"  # between a typed value and its standard uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing that the crew does, and the inputs that it shows in."""

    name: str  # in the mark, "tank oxidiser"
    asks: str  # what is to be done, short enough for a line of 80
    tags: tuple[str, ...]
    value: str = ""  # typed beside it where it is another; empty: none is asked for
    unit: str = ""  # of the value; empty: none is asked for
    quantity: str = "value"  # what the value is, as the line of state calls it while it is typed
    stands: bool = True  # else it may move: a push by hand
    moves: tuple[str, ...] = ()  # inputs of which one must have left the level before; else it was not done yet
    least_share: float = 0.0  # of its range, by which one of them must be off its level in the first step besides
    edge: LineEdgeName | None = None  # of a line, that must have been seen since the step before
    with_u: bool = False  # the value is typed with its standard uncertainty behind it, "0.5/0.2"
    unfelt: Mapping[str, float] = field(
        default_factory=dict
    )  # by tag, change of its signal that the step does not feel

    def words(self, value: str) -> str:
        """Return the mark's text."""
        return " ".join(word for word in (self.name, value, self.unit) if word) if self.unit else self.name

    @property
    def shown(self) -> str:
        """Tag of the input whose reading stands on the line of state; empty where the step is none of readings."""
        return "" if self.with_u or not self.tags else (self.moves or self.tags)[0]


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenStep:
    """One step that was taken."""

    name: str
    value: str  # as typed or planned; empty where none was asked for
    levels: Mapping[str, Level]  # by tag
    edges: int | None = None  # of T-0's line since the step before; none: not looked for


class StepTaking:
    """Take the steps of a check in their order.

    Parameters
    ----------
    steps : sequence of Step
        At least one.
    live : LiveLevels
        Of all their inputs, fed by whoever records.
    marks : MarkLog
        Of the recording.
    judge : callable
        Says what the steps taken so far show that was not said yet, a sentence each.
    """

    def __init__(
        self,
        steps: tuple[Step, ...],
        live: LiveLevels,
        marks: MarkLog,
        judge: Callable[[tuple[TakenStep, ...]], tuple[str, ...]],
    ) -> None:
        self._steps, self._live, self._marks, self._judge = steps, live, marks, judge
        self._place = 0
        self._kept: list[tuple[int, CrewMark, TakenStep]] = []  # place of the step, its mark, what was read
        self._edges = [0]  # of the line until the newest step that was taken, and until those before
        self.typed = ""
        self._anyway = False
        self.said = f"{steps[0].name}: {steps[0].asks}"

    @property
    def next(self) -> Step | None:
        """What is to be done now; ``None`` when nothing is left."""
        return self._steps[self._place] if self._place < len(self._steps) else None

    @property
    def taken(self) -> tuple[TakenStep, ...]:
        """Steps taken, in their order."""
        return tuple(step for _, _, step in self._kept)

    def why_not(self, now_ns: int) -> str:
        """Say why the next step cannot be taken now; empty where it can."""
        step = self.next
        if step is None:
            return "all steps are done"
        value = self.typed or step.value
        for tag in step.tags:
            standing = self._live.of[tag].standing(now_ns, step.unfelt.get(tag, 0.0))
            if standing.level is None or (step.stands and standing.why_not):
                return f"{tag} {standing.why_not}"
        if step.moves and not self._anyway and not any(self._has_moved(tag, now_ns) for tag in step.moves):
            by = f" by {100 * step.least_share:g} % since {self.taken[0].name}" if step.least_share else ""
            return f"{step.moves[0]} has not moved{by} yet; A takes it all the same"
        if step.edge is not None and not self._anyway and not self._edges_seen:
            way = "rising" if step.edge.rising else "falling"
            return f"no {way} edge of {step.edge.line} was seen yet; A takes it all the same"
        return _why_not_typed(step, value)

    def state(self, now_ns: int) -> str:
        """Say on one line which step is next and whether it can be taken."""
        step = self.next
        if step is None:
            return "all steps are done"
        place = f"{self._place + 1}/{len(self._steps)}"
        if step.edge is not None:
            seen = self._edges_seen
            words = "waiting for the edge" if not seen else "edge seen" if seen == 1 else f"{seen} edges seen"
            return f"{place} {step.name}: {words}{', press space' if seen else ''}"
        if self.typed:
            why_not = _why_not_typed(step, self.typed) or self.why_not(now_ns).partition(";")[0]
            typed = f"{step.quantity} typed: {self.typed} {step.unit}"
            return f"{place} {step.name}: {typed}: {why_not or 'stands, press space'}"
        head = f"{place} {step.words(step.value)}"
        why_not = self.why_not(now_ns).partition(";")[0]  # what is behind it is said when a key is pressed
        shown = next((tag for tag in step.moves or step.tags if why_not.startswith(f"{tag} ")), step.shown)
        level = self._live.of[shown].standing(now_ns).level if shown else None
        reads = f"{shown} {self._live.of[shown].told(level)}, " if level is not None else ""
        return f"{head}: {reads}{why_not.removeprefix(f'{shown} ') or 'stands, press space'}"

    def press(self, key: str, now_ns: int) -> None:
        """Execute one key at an instant of the monotonic clock. [ns].

        Raises
        ------
        RecordError
            The disk did not take the mark.
        """
        if key in TAKE:
            self._take(now_ns)
        elif key in ALL_THE_SAME and self.next is not None:
            self._anyway = True
            self._take(now_ns)
        elif key in LEAVE_OUT and self.next is not None:
            self._go_on(f"left out: {self.next.name}")
        elif key in BACK and self.typed:
            self.typed = self.typed[:-1]
        elif key in BACK:
            self._strike()
        elif (
            key in (f"{TYPED}{SLASH}" if self._asks_u else TYPED)
            and self.next is not None
            and self.next.unit
            and len(self.typed) < LONGEST
        ):
            self.typed += key

    @property
    def _asks_u(self) -> bool:
        return self.next is not None and self.next.with_u

    @property
    def _edges_seen(self) -> int:
        """Edges of the line since the newest step that was taken."""
        return self._live.edges - self._edges[-1]

    def _has_moved(self, tag: str, now_ns: int) -> bool:
        """Tell whether an input has left the level of the newest step that has it; without one it need not."""
        known = [step.levels[tag] for step in self.taken if tag in step.levels]
        level = self._live.of[tag].standing(now_ns).level
        if not known or level is None:
            return True
        first, last, step = known[0], known[-1], self.next
        span = self._live.of[tag].range
        least = 0.0 if step is None else step.least_share * span
        pushed = step is not None and not step.stands  # a push is over when its key is pressed
        reached, noise = (
            (level.pushed_from(last), level.block_u) if pushed else (level.mean, math.hypot(last.mean_u, level.mean_u))
        )
        return (
            abs(reached - last.mean) > max(MOVED * noise, UNMOVED_SHARE * span)
            and abs(level.mean - first.mean) >= least
        )

    def _take(self, now_ns: int) -> None:
        step, why_not = self.next, self.why_not(now_ns)
        if step is None or why_not:
            self.said = f"not taken: {why_not}"
            return
        value = (self.typed or step.value) if step.unit else ""
        levels = {tag: level for tag in step.tags if (level := self._live.of[tag].standing(now_ns).level) is not None}
        mark = self._marks.drop(step.words(value), key=STEP_KEY)
        edges = None if step.edge is None else self._edges_seen
        self._kept.append((self._place, mark, TakenStep(name=step.name, value=value, levels=levels, edges=edges)))
        self._edges.append(self._live.edges)
        self._go_on("\n".join((f"taken: {mark.text}", *self._judge(self.taken))))

    def _go_on(self, said: str) -> None:
        self._place += 1
        self.typed, self._anyway = "", False
        asks = "" if self.next is None else f"\n{self.next.name}: {self.next.asks}"
        self.said = f"{said}{asks}"

    def _strike(self) -> None:
        if not self._kept:
            self.said = "nothing to strike out"
            return
        self._place, mark, step = self._kept.pop()
        self._edges.pop()
        self._marks.strike(mark.number)
        self.said = f"struck out: {step.name}\n{self._steps[self._place].name}: {self._steps[self._place].asks}"


def _why_not_typed(step: Step, value: str) -> str:
    """Say what is missing in what was typed; empty where nothing is."""
    if not step.unit:
        return ""
    if not step.with_u:
        asked, given = f"type what it reads, in {step.unit}", is_number(value)
    else:
        asked = f"type it and its u, in {step.unit}, like 0.5/0.2"
        number, slash, u = value.partition(SLASH)
        given = bool(slash) and is_number(number) and is_number(u) and float(u) > 0.0
    return "" if given else asked if not value or step.with_u else f'"{value}" is no number'
