"""Every uncertain input of a discharge as a shifted copy of the averaged flow, and what a result changes by.

SI, absolute pressures. What hangs on one supply, or was calibrated with one standard, is shifted together.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace

import numpy as np

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.blowdown.record import AveragedDischarge, NoteUncertainties, SensorUncertainties
from standbook.daq.arrays import Array


def shifted_flows(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    """Yield each uncertain input's name with the flow as it would be one standard uncertainty higher."""
    yield from _sensor_shifted(flow, sensor, notes)
    yield from _supply_shifted(flow, sensor, notes)
    yield from _outside_shifted(flow, sensor, notes)
    yield from _liquid_shifted(flow, notes, told=sensor.supply if sensor.supply_u else "")
    yield from _times_shifted(flow, notes)


def _sensor_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    same = _one_standard(sensor, notes)
    own = _without(sensor.gain_u, sensor.reference_u) if same else sensor.gain_u
    if own:
        yield "pressure gain", _turned(flow, own, sensor.reads_zero_at)
    if same:
        share, level = notes.back_pressure_reference_u, notes.back_pressure_reads_zero_at
        back = flow.back_pressure + share * (flow.back_pressure - level)
        yield (
            "reference standard",
            replace(_turned(flow, sensor.reference_u, sensor.reads_zero_at), back_pressure=back),
        )
    if sensor.zero_u:
        yield "pressure zero", _raised(flow, sensor.zero_u)
    if sensor.misfit is not None:
        pressure = flow.pressure + sensor.missed(flow.pressure)
        start = flow.start_pressure + float(sensor.missed(np.array([flow.start_pressure]))[0])
        yield "pressure lack of fit", replace(flow, pressure=pressure, start_pressure=start)


def _supply_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    """Move together what hangs on one supply: the tank's sensor, one downstream, and scales or meters."""
    level, share = notes.back_pressure_no_signal_at, notes.back_pressure_supply_u
    back = flow.back_pressure + share * (flow.back_pressure - level)
    same = bool(sensor.supply) and sensor.supply == notes.back_pressure_supply
    if sensor.supply_u:
        amounts = _with_term(flow, sensor.supply) if sensor.supply else flow.amounts
        moved = replace(_turned(flow, sensor.supply_u, sensor.no_signal_at), amounts=amounts)
        yield "sensor supply", replace(moved, back_pressure=back) if same else moved
    if share and not (same and sensor.supply_u):
        yield "back pressure supply", replace(flow, back_pressure=back)


def _outside_shifted(
    flow: AveragedDischarge, sensor: SensorUncertainties, notes: NoteUncertainties
) -> Iterator[tuple[str, AveragedDischarge]]:
    if notes.ambient_u:
        moved = _raised(flow, notes.ambient_u) if sensor.reads_zero_at > 0.0 else flow
        back = moved.back_pressure + (notes.ambient_u if notes.free_jet else 0.0)
        yield "ambient pressure", replace(moved, back_pressure=back)
    if notes.back_pressure_u:
        yield "back pressure", replace(flow, back_pressure=flow.back_pressure + notes.back_pressure_u)
    gain = notes.back_pressure_gain_u
    if _one_standard(sensor, notes):
        gain = _without(gain, notes.back_pressure_reference_u)
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


def _one_standard(sensor: SensorUncertainties, notes: NoteUncertainties) -> bool:
    """Tell whether the tank's sensor and one downstream were calibrated with one standard that may be off."""
    return bool(sensor.reference) and sensor.reference == notes.back_pressure_reference and sensor.reference_u > 0.0


def _without(whole: float, part: float) -> float:
    """Return what is left of a standard uncertainty without one part of it."""
    return math.sqrt(max(whole**2 - part**2, 0.0))


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
