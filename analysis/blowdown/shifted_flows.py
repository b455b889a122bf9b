"""Every uncertain input of a discharge as a shifted copy of the averaged flow, and what a result changes by.

SI, absolute pressures. What hangs on one supply, or was calibrated with one standard, is shifted together.
"""

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace

import numpy as np

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.blowdown.record import AveragedDischarge, NoteUncertainties, SensorUncertainties
from standbook.analysis.budget.level_error import PARTS
from standbook.analysis.budget.terms import without
from standbook.analysis.results.results import BudgetTerm
from standbook.daq.arrays import Array

STANDARD = "reference standard"  # that the tank's sensor and one downstream share
BY_LEVEL = "reference standard, by level"
STANDARD_BY_LEVEL = tuple(f"{BY_LEVEL} {k + 1}" for k in range(PARTS))


def shifted_flows(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    """Yield each uncertain input's name with the flow as it would be one standard uncertainty higher."""
    yield from _sensor_shifted(flow, sensor, notes)
    yield from _supply_shifted(flow, sensor, notes.back)
    yield from _outside_shifted(flow, sensor, notes)
    yield from _liquid_shifted(flow, notes, told=sensor.supply if sensor.supply_u else "")
    yield from _times_shifted(flow, notes)


def _sensor_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    yield from _standard_shifted(flow, sensor, notes.back)
    gain, zero = _own(sensor, notes.back)
    if gain:
        yield "pressure gain", _turned(flow, gain, sensor.reads_zero_at)
    if zero:
        yield "pressure zero", _raised(flow, zero)
    if sensor.misfit is not None:
        pressure = flow.pressure + sensor.missed(flow.pressure)
        start = flow.start_pressure + float(sensor.missed(np.array([flow.start_pressure]))[0])
        yield "pressure lack of fit", replace(flow, pressure=pressure, start_pressure=start)


def _standard_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, back: SensorUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    """Move together the tank's sensor and one downstream that were calibrated with one standard."""
    if not _one_standard(sensor, back):
        return
    if sensor.reference_u or back.reference_u:
        behind = flow.back_pressure + back.reference_u * (flow.back_pressure - back.reads_zero_at)
        yield STANDARD, replace(_turned(flow, sensor.reference_u, sensor.reads_zero_at), back_pressure=behind)
    above, below = sensor.level_error, back.level_error
    if above is None or below is None:
        return
    tank, start = (above.parts(p - sensor.reads_zero_at) for p in (flow.pressure, np.array([flow.start_pressure])))
    chamber = below.parts(flow.back_pressure - back.reads_zero_at)
    for k, name in enumerate(STANDARD_BY_LEVEL):
        moved = replace(flow, pressure=flow.pressure + tank[k], start_pressure=flow.start_pressure + float(start[k, 0]))
        yield name, replace(moved, back_pressure=flow.back_pressure + chamber[k])


def _supply_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, back: SensorUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    """Move together what hangs on one supply: the tank's sensor, one downstream, and scales or meters."""
    behind = flow.back_pressure + back.supply_u * (flow.back_pressure - back.no_signal_at)
    same = bool(sensor.supply) and sensor.supply == back.supply
    if sensor.supply_u:
        amounts = _with_term(flow, sensor.supply) if sensor.supply else flow.amounts
        moved = replace(_turned(flow, sensor.supply_u, sensor.no_signal_at), amounts=amounts)
        yield "sensor supply", replace(moved, back_pressure=behind) if same else moved
    if back.supply_u and not (same and sensor.supply_u):
        yield "back pressure supply", replace(flow, back_pressure=behind)


def _outside_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    if notes.ambient_u:
        moved = _raised(flow, notes.ambient_u) if sensor.reads_zero_at > 0.0 else flow
        back = moved.back_pressure + (notes.ambient_u if notes.free_jet else 0.0)
        yield "ambient pressure", replace(moved, back_pressure=back)
    gain, zero = _own(notes.back, sensor)
    if behind := math.hypot(notes.back_pressure_u, zero):
        yield "back pressure", replace(flow, back_pressure=flow.back_pressure + behind)
    if gain:
        yield "back pressure gain", replace(flow, back_pressure=flow.back_pressure * (1.0 + gain))


def _liquid_shifted(
    flow: AveragedDischarge, notes: NoteUncertainties, *, told: str
) -> Iterator[tuple[str, AveragedDischarge]]:
    """Move what is uncertain of liquid and ullage; ``told`` is a source of amounts that was moved before."""
    if notes.density_u:
        share = notes.density_u / flow.density
        by_density = _amounts_moved(flow, lambda amount: amount.density_power * share * amount.mass)
        ullage = flow.ullage_volume + notes.load / flow.density * share
        yield (
            "density",
            replace(flow, density=flow.density + notes.density_u, ullage_volume=ullage, amounts=by_density),
        )
    if notes.head_u and flow.head is not None:
        taller = 1.0 + notes.head_u
        head = replace(flow.head, start_height=taller * flow.head.start_height, area=flow.head.area / taller)
        yield "liquid column", replace(flow, head=head)
    if notes.ullage_volume_u:
        yield "ullage volume", replace(flow, ullage_volume=flow.ullage_volume + notes.ullage_volume_u)
    if notes.mass_u and not flow.amounts:
        yield "expelled mass", replace(flow, expelled_mass=flow.expelled_mass + notes.mass_u)
    if notes.load_u:
        ullage = flow.ullage_volume - notes.load_u / flow.density
        by_load = _amounts_moved(flow, lambda amount: amount.by_load * notes.load_u)
        yield "load", replace(flow, ullage_volume=ullage, amounts=by_load)
    for source in dict.fromkeys(source for amount in flow.amounts for source in amount.terms):
        if source != told:
            yield source, replace(flow, amounts=_with_term(flow, source))


def _times_shifted(flow: AveragedDischarge, notes: NoteUncertainties) -> Iterator[tuple[str, AveragedDischarge]]:
    if notes.clock_u:
        rate = 1.0 + notes.clock_u
        time = flow.opening_time + rate * (flow.time - flow.opening_time)
        end = flow.opening_time + rate * (flow.end_time - flow.opening_time)
        timed = _amounts_moved(flow, lambda amount: amount.clock_power * notes.clock_u * amount.mass)
        spans = tuple(
            a if a.span is None else replace(a, span=_stretched(a.span, flow.opening_time, rate)) for a in timed
        )
        yield "clock rate", replace(flow, time=time, end_time=end, amounts=spans)
    if notes.opening_u:
        yield "opening instant", replace(flow, opening_time=flow.opening_time + notes.opening_u)
    if notes.end_u:
        yield "end instant", replace(flow, end_time=flow.end_time + notes.end_u)


def changes(
    estimate: Callable[[AveragedDischarge], Array],
    flow: AveragedDischarge,
    sensor: SensorUncertainties,
    notes: NoteUncertainties,
) -> dict[str, Array]:
    """Return what each uncertain input changes an estimate by, (K,) each."""
    base = estimate(flow)
    return {source: estimate(shifted) - base for source, shifted in shifted_flows(flow, sensor, notes)}


def cda_by_amounts(
    flow: AveragedDischarge, amounts: Sequence[Amount], sensor: SensorUncertainties, notes: NoteUncertainties
) -> tuple[AveragedDischarge, Array, dict[str, Array]]:
    """Return the flow with its amounts, the first weighing alone, CdA by each, (K,), and its `changes`."""
    flow = replace(flow, amounts=tuple(amounts), weights=tuple(float(k == 0) for k in range(len(amounts))))
    # The head wants an expelled volume; any one amount is near enough for that.
    flow = replace(flow, expelled_mass=flow.left())
    return flow, flow.each_cda(), changes(lambda of: of.each_cda(), flow, sensor, notes)


def ranked(shares: Mapping[str, float]) -> tuple[BudgetTerm, ...]:
    """Return budget terms, largest first; parts of one source as one."""
    merged: dict[str, float] = {}
    for source, u in shares.items():
        name = BY_LEVEL if source in STANDARD_BY_LEVEL else source
        merged[name] = math.hypot(merged.get(name, 0.0), u)
    return tuple(BudgetTerm(source, u) for source, u in sorted(merged.items(), key=lambda item: -item[1]))


def _one_standard(one: SensorUncertainties, other: SensorUncertainties) -> bool:
    """Tell whether two sensors were calibrated with one standard."""
    return bool(one.reference) and one.reference == other.reference


def _own(sensor: SensorUncertainties, other: SensorUncertainties) -> tuple[float, float]:
    """Return what is left of a sensor's gain and zero without what it shares with another by one standard."""
    if not _one_standard(sensor, other):
        return sensor.gain_u, sensor.zero_u
    level = sensor.level_error if other.level_error is not None else None
    zero = sensor.zero_u if level is None else without(sensor.zero_u, level.u)
    return without(sensor.gain_u, sensor.reference_u), zero


def _turned(flow: AveragedDischarge, share: float, about: float) -> AveragedDischarge:
    """Return the flow with the tank's pressure larger by a share of what it is over a level. [Pa]."""
    pressure = flow.pressure + share * (flow.pressure - about)
    start = flow.start_pressure + share * (flow.start_pressure - about)
    return replace(flow, pressure=pressure, start_pressure=start)


def _raised(flow: AveragedDischarge, pressure: float) -> AveragedDischarge:
    return replace(flow, pressure=flow.pressure + pressure, start_pressure=flow.start_pressure + pressure)


def _stretched(span: tuple[float, float], origin: float, rate: float) -> tuple[float, float]:
    return (origin + rate * (span[0] - origin), origin + rate * (span[1] - origin))


def _amounts_moved(flow: AveragedDischarge, by: Callable[[Amount], float]) -> tuple[Amount, ...]:
    return tuple(replace(amount, mass=amount.mass + by(amount)) for amount in flow.amounts)


def _with_term(flow: AveragedDischarge, source: str) -> tuple[Amount, ...]:
    return _amounts_moved(flow, lambda amount: amount.terms.get(source, 0.0))
