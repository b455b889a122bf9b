"""A liquid that flows near its boiling point, as liquid nitrogen does: how cold, how dense, how much of it was aboard.

SI, absolute pressures; times in seconds after T-0. Temperature comes from the thermometer at the outlet. Without one
it is anything between boiling in air and boiling at tank pressure, and what follows from it is as unsure.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.liquid_column import mean_near
from standbook.analysis.channel_checks.channel_health import usable
from standbook.analysis.cold_flow.flow_instants import FlowInstants, at_rest_since
from standbook.analysis.dataset.boil_off import greatest_boil_off
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import (
    CANNOT_BE_CAUGHT,
    LIQUID_AS_FLOWED,
    LIQUID_NOT_KNOWN,
    LOAD_BOILED_OFF,
    NO_OUTLET_THERMOMETER,
)
from standbook.analysis.physics import fluids
from standbook.analysis.prediction.cavitation import cavitation_number
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import between
from standbook.daq.config import measurands
from standbook.daq.config.plan import Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

CLEAR = 0.5  # s after the opening in which the line still chills, and before the end
PARTS = 3  # of the flow, whose medians tell how far the temperature went
LEAST_SAMPLES = 12
IN_LIQUID = 0.5  # of the samples must be no warmer than boiling, else the thermometer was not in the liquid
SURE = 3.0  # standard uncertainties by which a reading may lie above boiling
BELOW_BOILING = 0.01  # K: a state that the property library still calls liquid
SLOPE = 0.25  # K over which the slope of the density is taken
NOT_OF_TANK = {
    measurands.CAUGHT_MASS: "the scale under the bucket",
    measurands.LIQUID_FLOW: "the flow meter",
    measurands.VENTURI_PRESSURE: "the venturi",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class LiquidState:
    """State in which a liquid flowed."""

    coldest: float  # [K]
    warmest: float  # [K]
    density: Measured  # [kg/m3]
    vapour_pressure: float  # at the warmest, absolute [Pa]
    told_by: str  # tag of the thermometer; empty: none
    why: str = ""  # there is none


@dataclass(frozen=True, slots=True, kw_only=True)
class AsFlowed:
    """A run with its liquid as it flowed."""

    dataset: Dataset
    state: LiquidState | None  # none: not known
    findings: tuple[Finding, ...]


def as_flowed(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> AsFlowed:
    """Put the density that the liquid had, and the load less its boil-off, in place of what the plan has.

    What was caught, or metered on the way, is left out with a finding: it boils.

    Parameters
    ----------
    channel : Channel
        Tank pressure that the instants were taken from.
    """
    aboard, said = _less_boil_off(dataset, tank)
    said += _left_out(dataset, tank)
    state: LiquidState | None = None
    try:
        state = liquid_state(dataset, aboard, channel, instants)
        aboard = _with_density(aboard, state.density)
    except DataError as error:
        state = None
        said.append(LIQUID_NOT_KNOWN.at(tank.name, error=str(error).rstrip(".")))
    if state is not None:
        said.append(_told(aboard, state, channel, instants, dataset.plan.back_pressure().value))
    tanks = tuple(aboard if other.name == tank.name else other for other in dataset.plan.tank)
    weighings = {name: replace(w, caught=None) for name, w in dataset.weighings.items()}
    plan = dataset.plan.model_copy(update={"tank": tanks})
    return AsFlowed(dataset=replace(dataset, plan=plan, weighings=weighings), state=state, findings=tuple(said))


def liquid_state(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> LiquidState:
    """Return the state in which a tank's liquid flowed, by the first thermometer of the tank that was in it.

    Raises
    ------
    DataError
        The liquid is none that boils in air, or the property library does not know it there.
    """
    if not fluids.is_cryogenic(tank.liquid):
        raise DataError(f"{tank.liquid} does not boil in air, as the liquid of a {dataset.kind} does")
    start = mean_near(channel, instants.opening.time - 0.1, 1.0)
    end = mean_near(channel, instants.end.time, 0.05)
    boils, least_density = fluids.warmest_liquid(tank.liquid, pressure=start)
    thermometers = dataset.measuring(measurands.TEMPERATURE, tank.name)
    for thermometer in thermometers:
        found = _read(dataset, thermometer, instants, boils)
        if found is not None:
            return _by_reading(tank.liquid, found, (start, end), boils, thermometer.tag)
    tags = " and ".join(thermometer.tag for thermometer in thermometers)
    why = f"{tags} was not in the liquid, or cannot be read" if tags else "no thermometer of this tank was recorded"
    coldest, _ = fluids.boiling_liquid(tank.liquid, pressure=dataset.plan.site.ambient_pressure.value)
    return _over_range(tank.liquid, start, (min(coldest, boils), boils), least_density, why)


@dataclass(frozen=True, slots=True)
class _Reading:
    """Temperature at the outlet over the flow. [K]."""

    mean: float
    coldest: float
    warmest: float
    u: float


def _read(dataset: Dataset, thermometer: Channel, instants: FlowInstants, boils: float) -> _Reading | None:
    """Read a thermometer over the flow; ``None`` where it was not in the liquid, or cannot be believed."""
    begin, end = instants.opening.time + CLEAR, instants.end.time - CLEAR
    if not usable(thermometer, begin, end):
        return None
    inside = between(thermometer.time, begin, end)
    value = thermometer.reading[inside]
    value = value[np.isfinite(value) & ~thermometer.clipped[inside]]
    if value.size < LEAST_SAMPLES:
        return None
    u = thermometer.reading_u(float(np.median(value)), dataset.plan.site.ambient_pressure)
    wet = value[value <= boils + SURE * u]
    if wet.size < max(LEAST_SAMPLES, IN_LIQUID * value.size):
        return None
    parts = [float(np.median(part)) for part in np.array_split(wet, PARTS)]  # a line that still chills moves no median
    coldest, warmest = (min(boils - BELOW_BOILING, edge(parts)) for edge in (min, max))
    mean = min(boils - BELOW_BOILING, float(np.mean(parts)))
    return _Reading(mean, coldest, warmest, math.hypot(u, (max(parts) - min(parts)) / math.sqrt(12.0)))


def _by_reading(liquid: str, read: _Reading, pressures: tuple[float, float], boils: float, tag: str) -> LiquidState:
    """Take density and vapour pressure at the temperature that was read, the density between both pressures."""
    start, end = pressures

    def density(temperature: float) -> float:
        return fluids.density(liquid, pressure=start, temperature=min(temperature, boils - BELOW_BOILING))

    vapour = fluids.vapour_pressure(liquid, temperature=read.mean)
    at_end = fluids.boiling_liquid(liquid, pressure=vapour)[1]
    if end > vapour:
        at_end = fluids.density(liquid, pressure=end, temperature=read.mean)
    squeezed = density(read.mean) - at_end
    slope = (density(read.mean) - density(read.mean - SLOPE)) / SLOPE
    u = math.hypot(slope * read.u, squeezed / math.sqrt(12.0))
    return LiquidState(
        coldest=read.coldest,
        warmest=read.warmest,
        density=Measured(density(read.mean) - 0.5 * squeezed, u, "kg/m3"),
        vapour_pressure=fluids.vapour_pressure(liquid, temperature=read.warmest),
        told_by=tag,
    )


def _over_range(liquid: str, start: float, temperatures: tuple[float, float], least: float, why: str) -> LiquidState:
    """Allow any temperature from boiling in air to boiling at tank pressure, each density alike likely."""
    coldest, boils = temperatures
    most = fluids.density(liquid, pressure=start, temperature=min(coldest, boils - BELOW_BOILING))
    return LiquidState(
        coldest=coldest,
        warmest=boils,
        density=Measured((most + least) / 2.0, (most - least) / math.sqrt(12.0), "kg/m3"),
        vapour_pressure=fluids.vapour_pressure(liquid, temperature=boils),
        told_by="",
        why=why,
    )


def _with_density(tank: Tank, density: Measured) -> Tank:
    fills = tank.liquid_load.value / (density.value - density.u)
    if fills >= tank.internal_volume.value:
        raise DataError(
            f"at {density.value:.1f} kg/m3 (u = {density.u:.1f}) the load fills up to {1e3 * fills:.2f} L, more than "
            f"the tank's {tank.internal_volume.text}"
        )
    text = f"{density.value:.2f} +/- {density.u:.2f} kg/m3"
    typed = replace(tank.liquid_density, value=density.value, u=density.u, text=text)
    return tank.model_copy(update={"liquid_density": typed})


def _less_boil_off(dataset: Dataset, tank: Tank) -> tuple[Tank, list[Finding]]:
    """Take off a weighed load what boiled off before the vent was closed; where it is not stated, half the most."""
    weighing, load = dataset.weighings.get(tank.name), tank.liquid_load
    if weighing is None or weighing.residual is None or not fluids.is_cryogenic(tank.liquid):
        return tank, []
    vented, most = greatest_boil_off(load.value, weighing)
    boiled, source = weighing.boiled_off, "as stated with the weighings"
    if weighing.boil_off is None:
        boiled = Measured(most / 2.0, most / math.sqrt(12.0), "kg")
        source = "for up to twice as much may have where nobody stated boil_off"
        source += "" if weighing.vented is not None else ", and nobody how long it was vented"
    typed = replace(load, value=load.value - boiled.value, u=math.hypot(load.u, boiled.u))
    said = LOAD_BOILED_OFF.at(
        tank.name,
        boiled=boiled.value,
        boiled_u=boiled.u,
        minutes=vented / 60.0,
        source=source,
        share_percent=100.0 * boiled.u / load.value,
    )
    return tank.model_copy(update={"liquid_load": typed}), [said]


def _left_out(dataset: Dataset, tank: Tank) -> list[Finding]:
    """Say what is not counted of a liquid that boils on its way."""
    weighing = dataset.weighings.get(tank.name)
    said = []
    if weighing is not None and weighing.caught is not None:
        what = f"the mass caught, {weighing.caught.value:.3f} kg,"
        said.append(CANNOT_BE_CAUGHT.at(tank.name, what=what, liquid=tank.liquid))
    for measures, what in NOT_OF_TANK.items():
        for channel in dataset.measuring(measures):
            if channel.tank in (None, tank.name):
                said.append(CANNOT_BE_CAUGHT.at(channel.tag, what=what, liquid=tank.liquid))
    return said


def _at_opening(liquid: str, state: LiquidState, start: float, behind: float) -> tuple[float, float]:
    """Return the cavitation numbers at the opening, of the warmest and of the coldest liquid."""
    coldest = fluids.vapour_pressure(liquid, temperature=state.coldest)
    drop = max(start, behind + 1.0)  # a tank that stands no higher drives nothing
    least, most = (cavitation_number(drop, behind, vapour) for vapour in (state.vapour_pressure, coldest))
    return least, most


def _told(tank: Tank, state: LiquidState, channel: Channel, instants: FlowInstants, behind: float) -> Finding:
    """Say in what state the liquid flowed; the values go with the finding to whoever carries this run on."""
    time, pressure = channel.known()
    start = mean_near(channel, instants.opening.time - 0.1, 1.0)
    kind = LIQUID_AS_FLOWED if state.told_by else NO_OUTLET_THERMOMETER
    return kind.at(
        tank.name,
        told_by=state.told_by,
        why=state.why,
        liquid=tank.liquid,
        coldest=state.coldest,
        warmest=state.warmest,
        density=state.density.value,
        density_u=state.density.u,
        vapour_bar=state.vapour_pressure / 1e5,
        load=tank.liquid_load.value,
        numbers=" to ".join(f"{number:.2f}" for number in _at_opening(tank.liquid, state, start, behind)),
        held=max(0.0, instants.opening.time - at_rest_since(time, pressure, instants.opening.time)),
    )
