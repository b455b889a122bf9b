"""The steps of a check in place for a plan: what the crew does, and which inputs show it."""

import math
from collections.abc import Mapping, Sequence

import numpy as np

from standbook.daq.bench.recorded_levels import recorded_levels
from standbook.daq.bench.step_taking import STEP_KEY, Step, TakenStep
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import LineEdgeName, Plan
from standbook.daq.config.stand import Input, Stand
from standbook.daq.errors import DataError
from standbook.daq.run.run_folder import Run

VENTED, TANK, LOW, PUSH, WEIGHT, SHUNT, SAG = "vented", "tank", "low", "push", "weight", "shunt", "sag"
ALIGNMENT, T_ZERO = "alignment", "T-0"
SHUNT_LEAST = 0.01  # of the span: a step below it is no shunt; judgement
UNFELT = 0.3  # of a reading's own u: so much it may still move while it is taken; adds 5 % to u; judgement


def check_steps(plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration]) -> tuple[Step, ...]:
    """Return the steps for a plan, in the order in which they are done.

    Parameters
    ----------
    plan : Plan
        Its tanks are pressurised one after the other.
    stand : Stand
        Its calibrated pressures and load cells are looked at.
    calibrations : mapping of tag to Calibration
        That the plan names.

    Raises
    ------
    DataError
        No pressure and no load cell is calibrated.
    """
    known = [item for item in stand.input if item.tag in calibrations]
    pressures = [item.tag for item in known if is_static_pressure(item, calibrations[item.tag])]
    cells = [item.tag for item in known if item.measures == measurands.THRUST]
    if not pressures and not cells:
        raise DataError(f"plan {plan.test.number}: no pressure and no load cell of its calibrations can be checked")
    sagging = sagging_inputs(known, calibrations)
    supplies = _supplies(known, sagging)
    air = f"{plan.site.ambient_pressure.value / 1e3:.2f}"
    steps = [
        Step(name=VENTED, asks="all lines open to the air, nothing on the cell; type the barometer if it differs",
             tags=(*pressures, *cells, *supplies), value=air, unit="kPa(a)", quantity="barometer",
             unfelt=_unfelt(calibrations, (*pressures, *cells)))
    ]  # fmt: skip
    if cells:
        steps += _cell_steps(stand, tuple(cells), calibrations)
    steps += _shunt_steps(known)
    if plan.test.t_zero_edge is not None:
        asks = "igniter off the circuit, a lamp on it; switch the fire circuit once"
        steps.append(Step(name=T_ZERO, asks=asks, tags=(), stands=False, edge=plan.test.t_zero_edge))
    if sagging:
        asks, tags = "still vented: lower the sensors' supply; type by how much", (*supplies, *sagging)
        steps.append(Step(name=SAG, asks=asks, tags=tags, unit="%", quantity="share", moves=tags))
    steps += _tank_steps(plan, stand, known, calibrations)  # last: what needs hands is done while all is vented
    return tuple(steps)


def _tank_steps(
    plan: Plan, stand: Stand, known: Sequence[Input], calibrations: Mapping[str, Calibration]
) -> list[Step]:
    tags = tuple(item.tag for item in known if item.measures == measurands.TANK_PRESSURE)
    alone = "" if len(plan.tank) == 1 else ", the other vented"
    unfelt = _unfelt(calibrations, tags, stand.checks.gauge_u or 0.0)
    steps = []
    for tank in plan.tank:
        own = tuple(item.tag for item in known if item.tag in tags and item.tank == tank.name)
        if not own:
            continue
        for name, how in ((f"{LOW} {tank.name}", "to about a tenth"), (f"{TANK} {tank.name}", "to its pressure")):
            asks = f"pressurised {how} from afar{alone}; type the gauge, or N"
            steps.append(
                Step(name=name, asks=asks, tags=tags, unit="bar(g)", quantity="gauge", moves=own, unfelt=unfelt)
            )
    return steps


def _cell_steps(stand: Stand, cells: tuple[str, ...], calibrations: Mapping[str, Calibration]) -> list[Step]:
    weight = stand.checks.weight
    typed = "" if weight is None else f"{weight.value:.6g}"
    return [
        Step(
            name=PUSH,
            asks="vented, released: push the way thrust does, let go, press space",
            tags=cells,
            stands=False,
            moves=cells,
        ),
        Step(
            name=WEIGHT,
            asks="vented: hang the check weight in the line of thrust",
            tags=cells,
            value=typed,
            unit="kg",
            quantity="weight",
            moves=cells,
            unfelt=_unfelt(calibrations, cells),
        ),
        Step(
            name=ALIGNMENT,
            asks="inclinometer: thrust line against cell; type angle/u, like 0.5/0.2",
            tags=cells,
            unit="deg",
            quantity="angle and its u",
            stands=False,
            with_u=True,
        ),
    ]


def _shunt_steps(known: Sequence[Input]) -> list[Step]:
    return [
        Step(
            name=f"{SHUNT} {item.tag}",
            asks="vented, nothing on the cell: the shunt resistor switched on",
            tags=(item.tag,),
            moves=(item.tag,),
            least_share=SHUNT_LEAST,
        )
        for item in known
        if item.sensor_kind.takes_shunt
    ]


def _unfelt(
    calibrations: Mapping[str, Calibration], tags: Sequence[str], held_against: float = 0.0
) -> dict[str, float]:
    """Return the change of each signal that a check does not feel: a share of its reading's u and the gauge's [Pa]."""
    found = {}
    for tag in tags:
        c = calibrations[tag]
        u = math.hypot(c.zero_uncertainty, held_against / c.scale)
        ends = c.signal(np.array([0.0, UNFELT * u]))
        found[tag] = abs(float(ends[1] - ends[0]))
    return found


def is_static_pressure(item: Input, calibration: Calibration) -> bool:
    """Tell whether an input shows the air when all is open."""
    return calibration.dimension == "pressure" and calibration.reference in ("gauge", "absolute")


def sagging_inputs(known: Sequence[Input], calibrations: Mapping[str, Calibration]) -> list[str]:
    """Return the ratiometric pressures: at rest they show a tenth of their supply, by which a sag is seen."""
    return [
        item.tag
        for item in known
        if item.sensor_kind.follows_supply and is_static_pressure(item, calibrations[item.tag])
    ]


def _supplies(known: Sequence[Input], sagging: Sequence[str]) -> list[str]:
    """Return the channels that measure the supplies of inputs."""
    names = [item.supply for item in known if item.tag in sagging and not item.is_supply_stated]
    tags = [item.tag for item in known]
    return [name for name in dict.fromkeys(names) if name in tags]


def taken_in(run: Run, steps: Sequence[Step], edge: LineEdgeName | None = None) -> tuple[TakenStep, ...]:
    """Return the steps that were taken in a recording, each with the levels of its inputs computed again.

    ``edge`` is that of T-0, counted where the steps look for it.

    Raises
    ------
    DataError
        A mark is of no step, or an input has too few rows.
    RecordError
        A samples file cannot be read.
    """
    marks = sorted((m for m in run.record.marks if m.key == STEP_KEY and not m.struck), key=lambda m: m.host_ns)
    wanted = {tag for step in steps for tag in step.tags}
    levels = {tag: recorded_levels(run, tag, key=STEP_KEY) for tag in sorted(wanted)}
    taken: list[TakenStep] = []
    before = 0
    for place, mark in enumerate(marks):
        step = next((one for one in steps if mark.text == one.name or mark.text.startswith(f"{one.name} ")), None)
        if step is None:
            raise DataError(f"{run.folder}: the mark {mark.text} is no step of this check")
        value = mark.text.removeprefix(step.name).strip().removesuffix(step.unit).strip()
        read = {tag: levels[tag][place].level for tag in step.tags}
        edges = _edges(run, edge, before, mark.host_ns) if edge is not None and step.name == T_ZERO else None
        taken.append(TakenStep(name=step.name, value=value, levels=read, edges=edges))
        before = mark.host_ns
    return tuple(taken)


def _edges(run: Run, edge: LineEdgeName, after: int, until: int) -> int:
    """Count the edges of T-0's line, the right way, between two instants. [ns]."""
    device = run.record.devices.get(edge.device)
    seen = () if device is None else device.edges
    return sum(one.line == edge.line and one.level == edge.rising and after < one.host_ns <= until for one in seen)
