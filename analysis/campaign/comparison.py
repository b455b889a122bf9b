"""Hold two runs of a campaign against each other: what differs, by how much, and what was changed between them. SI.

A source of error that made both values, because revision, serial and mounting were the same, cancels from their
difference. Which sources those are is taken from the files and stated; a remount that nobody noted is not seen.
"""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

from pydantic import BaseModel

from standbook.analysis.campaign.carried_runs import read_analysed
from standbook.analysis.campaign.run_table import TANK_COMMON
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm, Results
from standbook.analysis.several_runs.difference import Difference, Word, compared, difference_u
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.errors import DataError
from standbook.daq.quantity import Quantity
from standbook.daq.run.run_folder import RunFiles, read_run_files

CELL_COMMON = frozenset(
    {"reference standard", "calibration scatter", "hysteresis", "lack of fit", "stand interaction", "line load"}
)  # of one cell as long as revision, serial and mounting stay
MOUNTED = frozenset({"alignment", "stand interaction", "line load"})  # of these a remount makes new errors
BOARD_COMMON = frozenset({"clock rate", "sensor supply"})
LEFT_OUT = frozenset({"test.number", "test.objective"})  # differ always, and change nothing
NOT_KNOWN = "--"
Bound = Literal["", "at least", "at most"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One quantity of both runs."""

    name: str
    unit: str
    first: float
    second: float
    difference: Difference
    because: str  # what is taken to have made both
    bound: Bound = ""  # one of them is only a lower bound


@dataclass(frozen=True, slots=True, kw_only=True)
class RunComparison:
    """Second run less first run."""

    first: str
    second: str
    lines: tuple[Line, ...]
    changes: tuple[str, ...]  # of plan, stand and calibrations, one line each


@dataclass(frozen=True, slots=True)
class _Side:
    """One run with its files."""

    name: str
    files: RunFiles
    results: Results


def compare_runs(first: Path, second: Path, *, remounted: bool = False) -> RunComparison:
    """Compare two analysed runs.

    Parameters
    ----------
    first, second : Path
        Run folders.
    remounted : bool
        The cell was taken off between them: its mounting made another error.

    Raises
    ------
    RecordError
        One of them is not analysed or cannot be read.
    DataError
        A rehearsal against a test.
    """
    one, other = (_Side(path.name, read_run_files(path), read_analysed(path).results) for path in (first, second))
    if one.results.rehearsal is not other.results.rehearsal:
        raise DataError(f"{one.name}, {other.name}: a rehearsal is not held against a test")
    lines = tuple(_lines(one, other, remounted=remounted)) if one.files.info.kind == other.files.info.kind else ()
    return RunComparison(first=one.name, second=other.name, lines=lines, changes=tuple(_changes(one, other)))


def _lines(one: _Side, other: _Side, *, remounted: bool) -> Iterator[Line]:
    yield from _impulse_lines(one, other, remounted=remounted)
    for name in [tank for tank in one.results.tanks if tank in other.results.tanks]:
        yield from _tank_lines(name, one, other)
    for name, (first, second) in _engine_pairs(one.results, other.results).items():
        yield _line(name, (first, second))


def _impulse_lines(one: _Side, other: _Side, *, remounted: bool) -> Iterator[Line]:
    first, second = one.results.impulse, other.results.impulse
    if first is None or second is None:
        return
    common, because = _cell_common(one, other, remounted=remounted)
    line = _line(
        "total impulse, site",
        (Measured(first.value, first.u, "N*s"), Measured(second.value, second.u, "N*s")),
        budgets=(_by_source(first.budget), _by_source(second.budget)),
        common=common,
        because=because,
    )
    yield _bounded(line, hidden=(first.lower_bound_only, second.lower_bound_only))


def _bounded(line: Line, *, hidden: tuple[bool, bool]) -> Line:
    """Say of a difference what is left of it where the first or the second value hides more than it shows."""
    if not any(hidden):
        return line
    bound: Bound = "" if all(hidden) else "at most" if hidden[0] else "at least"
    shown = line.difference.says == "changed" and (line.difference.value > 0.0) is (bound == "at least") and bound
    says: Word = "changed" if shown else "not told apart"
    return replace(line, bound=bound, difference=replace(line.difference, says=says))


def _tank_lines(name: str, one: _Side, other: _Side) -> Iterator[Line]:
    first, second = one.results.tanks[name], other.results.tanks[name]
    tags = [item.tag for item in one.files.stand.measuring(measurands.TANK_PRESSURE, name)]
    same = bool(tags) and all(_same_revision(tag, one, other) for tag in tags)
    common = (TANK_COMMON if same else frozenset[str]()) | _board_common(one, other)
    because = "same pressure sensors and revisions, same tank" if same else "sensors or revisions differ"
    if first.cda is not None and second.cda is not None:
        budgets = _by_source(first.cda_budget), _by_source(second.cda_budget)
        yield _line(f"CdA {name}", (first.cda, second.cda), budgets=budgets, common=common, because=because)
    if first.exponent is not None and second.exponent is not None:
        yield _line(f"exponent {name}", (first.exponent.chord, second.exponent.chord))


def _engine_pairs(one: Results, other: Results) -> dict[str, tuple[Measured, Measured]]:
    if one.engine is None or other.engine is None:
        return {}
    pairs = {
        "c*": (one.engine.cstar, other.engine.cstar),
        "specific impulse": (one.engine.isp, other.engine.isp),
        "mixture ratio": (one.engine.mixture_ratio, other.engine.mixture_ratio),
    }
    return {name: (a, b) for name, (a, b) in pairs.items() if a is not None and b is not None}


def _line(
    name: str,
    pair: tuple[Measured, Measured],
    *,
    budgets: tuple[Mapping[str, float], Mapping[str, float]] | None = None,
    common: frozenset[str] = frozenset(),
    because: str = "nothing is taken to be common",
) -> Line:
    """Make the line of one quantity; without budgets by source nothing cancels."""
    first, second = pair
    whole = {"all of it": first.u}, {"all of it": second.u}
    u = difference_u(*(budgets or whole), common)
    return Line(
        name=name,
        unit=first.unit,
        first=first.value,
        second=second.value,
        difference=compared(first.value, second.value, u),
        because=because,
    )


def _by_source(budget: tuple[BudgetTerm, ...]) -> dict[str, float]:
    """Return uncertainties by source; several terms of one source moved independently, and are added in square."""
    found: dict[str, float] = {}
    for term in budget:
        found[term.source] = (found.get(term.source, 0.0) ** 2 + term.u**2) ** 0.5
    return found


def _cell_common(one: _Side, other: _Side, *, remounted: bool) -> tuple[frozenset[str], str]:
    """Return the sources that made both impulses, and say why."""
    tags = [item.tag for item in one.files.stand.measuring(measurands.THRUST)]
    board = _board_common(one, other)
    if not tags or not all(_same_revision(tag, one, other) for tag in tags):
        return board, "another cell or revision"
    revision = one.files.calibrations[tags[0]].name
    if remounted:
        return CELL_COMMON - MOUNTED | board, f"same cell, {revision}, remounted"
    return CELL_COMMON | MOUNTED | board, f"same cell, {revision}, taken as not remounted"


def _same_revision(tag: str, one: _Side, other: _Side) -> bool:
    a, b = one.files.calibrations.get(tag), other.files.calibrations.get(tag)
    return a is not None and b is not None and a.name == b.name and a.sensor_serial == b.sensor_serial


def _board_common(one: _Side, other: _Side) -> frozenset[str]:
    names = [{(device.name, device.serial) for device in side.files.stand.device} for side in (one, other)]
    return BOARD_COMMON if names[0] == names[1] else frozenset()


def _changes(one: _Side, other: _Side) -> Iterator[str]:
    """Name every field of plan, stand and calibrations that differs by value; texts that mean the same do not."""
    for what, a, b in (("plan", one.files.plan, other.files.plan), ("stand", one.files.stand, other.files.stand)):
        yield from _differing(what, _flat(a), _flat(b))
    for tag in sorted(one.files.calibrations.keys() | other.files.calibrations.keys()):
        was, is_now = one.files.calibrations.get(tag), other.files.calibrations.get(tag)
        if (_revision(was), _content(was)) != (_revision(is_now), _content(is_now)):
            yield f"calibration {tag} {_revision(was)} -> {_revision(is_now)}"


def _revision(calibration: Calibration | None) -> str:
    return NOT_KNOWN if calibration is None else calibration.revision


def _content(calibration: Calibration | None) -> tuple[float, ...]:
    return () if calibration is None else calibration.coefficients


def _differing(what: str, a: Mapping[str, object], b: Mapping[str, object]) -> Iterator[str]:
    members, others = _members(a), _members(b)
    yield from (f"{what}: {name} in the first only" for name in members if name not in others)
    yield from (f"{what}: {name} in the second only" for name in others if name not in members)
    for name in dict.fromkeys((*a, *b)):
        member, before, after = _member(name), a.get(name), b.get(name)
        if name in LEFT_OUT or (member in members) is not (member in others):
            continue
        if _value(before) != _value(after):
            yield f"{what}: {name} {_words(before)} -> {_words(after)}"


def _members(flat: Mapping[str, object]) -> list[str]:
    """Return the members of lists that a document has, such as ``tank[fuel]``, in order."""
    return list(dict.fromkeys(member for name in flat if (member := _member(name))))


def _member(name: str) -> str:
    return f"{name.split('].')[0]}]" if "]." in name else ""


def _flat(value: Any, name: str = "") -> dict[str, object]:  # noqa: ANN401 - a document's field may hold anything
    """Spread a document over dotted names; members of a list go by their own name where they have one."""
    if isinstance(value, BaseModel):
        parts = {key: getattr(value, key) for key in type(value).model_fields}
        return {k: v for key, part in parts.items() for k, v in _flat(part, f"{name}.{key}".lstrip(".")).items()}
    if isinstance(value, tuple | list) and any(isinstance(item, BaseModel) for item in value):
        named = {str(getattr(item, "name", getattr(item, "tag", at))): item for at, item in enumerate(value)}
        return {k: v for key, part in named.items() for k, v in _flat(part, f"{name}[{key}]").items()}
    return {name: value}


def _value(value: object) -> object:
    if isinstance(value, Quantity):
        return (round_off(value.value), round_off(value.u), value.dimension, value.reference)
    return None if value in ((), "") else value


def round_off(number: float) -> float:
    """Round to ten digits: the same value typed in another unit is the same."""
    return float(f"{number:.10g}")


def _words(value: object) -> str:
    if isinstance(value, Quantity):
        return value.text
    if isinstance(value, tuple):
        return ", ".join(_words(item) for item in value) or NOT_KNOWN
    return NOT_KNOWN if value is None or value == "" else str(value)
