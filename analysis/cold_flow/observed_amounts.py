"""What a cold flow's scales, meters and run-out say of the liquid that left: one amount each.

SI; times in seconds after T-0, pressures absolute or, of a venturi, a difference. A stream is read only where the
valve was fully open; a weighed tank against the drive integral, so that neither instant of the valve enters.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.amounts import FILM, Amount
from standbook.analysis.blowdown.record import AveragedDischarge
from standbook.analysis.channel_checks.channel_health import usable
from standbook.analysis.cold_flow.flow_instants import FlowInstants
from standbook.analysis.dataset.as_weighed import over_reading
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import (
    AMOUNT_NOT_USABLE,
    AMOUNT_OUTSIDE_RECORD,
    AMOUNT_WITHOUT_DIFFERENCE,
    FLOW_AREA_CREEPS,
    METER_NOT_AT_ZERO,
    WEIGHED_TANK_FEELS_JET,
)
from standbook.analysis.signal.windows import block_means, correlation_time
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import Tank
from standbook.daq.findings.finding import Finding

CLEAR = 0.5  # s after the opening and before the end in which a stream still follows the valve
STILL, SETTLING = 3.0, 1.0  # s of rest that tell a scale's reading; s that liquid takes to come to rest
LEAST_SPAN = 1.0  # s of open valve, below it a stream tells no amount
LEAST_SAMPLES = 20
FADES_U = 0.1  # relative, of what cannot leave: it varies from run to run
UNSTATED_RESIDUAL = 0.005  # of the load, where a plan states no residual: some of it always stays in line and fittings
CREEPS, CREEP_SHARE = 4.0, 0.01  # standard uncertainties and share of the flow area, for a valve that moves
JET = 5.0  # standard uncertainties of a step of the weighed tank at the opening
OFF_ZERO = 3.0  # standard uncertainties of a meter's zero


@dataclass(frozen=True, slots=True)
class Observed:
    """What was seen of the liquid that left, and what must be said of it."""

    amounts: tuple[Amount, ...]  # in order of trust
    findings: tuple[Finding, ...]


def observed_amounts(dataset: Dataset, tank: Tank, instants: FlowInstants, flow: AveragedDischarge) -> Observed:
    """Collect every amount of one flow, those first that rest on the fewest assumptions.

    Parameters
    ----------
    flow : Flow
        The tank's averaged discharge; its drive integral carries the weighed tank's slope.
    """
    said: list[Finding] = []
    found = _weighings(dataset, tank)
    boils = dataset.plan.kind.boiling_liquid
    for measures, read in (_OF_TANK if boils else _READERS).items():
        for channel in dataset.measuring(measures):
            if channel.tank not in (None, tank.name):
                continue
            if not usable(channel, instants.opening.time - 1.0, instants.end.time + 1.0):
                said.append(_unusable(channel))
                continue
            amount, findings = read(dataset, channel, instants, flow)
            said += findings
            if amount is not None:
                found.append(amount)
    if not instants.ran_dry:
        return Observed(tuple(found), tuple(said))
    run_out = None if boils else _run_out(tank)  # what comes through of a boiling liquid may be its own vapour
    film = FILM * tank.liquid_load.value
    amounts = [_with_film(amount, film) for amount in (*found, *((run_out,) if run_out else ()))]
    return Observed(tuple(amounts), tuple(said))


def _with_film(amount: Amount, film: float) -> Amount:
    """Charge a mass of all that left with what may drip from the walls after the gas: no pressure shows it."""
    if amount.span is not None:
        return amount
    return replace(amount, terms={**amount.terms, "film after run-out": film})


def _weighings(dataset: Dataset, tank: Tank) -> list[Amount]:
    """Return what was caught or stated, then the load less what was drained: that shares the load's error."""
    weighing = dataset.weighings.get(tank.name)
    found: list[Amount] = []
    if weighing is None:
        return found
    if weighing.caught is not None:
        found.append(
            Amount(
                name="caught",
                words="the mass caught",
                mass=weighing.caught.value,
                terms={measurands.CAUGHT_MASS: weighing.caught.u},
            )
        )
    if weighing.expelled is not None:
        found.append(
            Amount(
                name="expelled",
                words="the mass stated as expelled",
                mass=weighing.expelled.value,
                terms={"expelled mass": weighing.expelled.u},
            )
        )
    if weighing.residual is not None:
        mass, rest_u = tank.liquid_load.value - weighing.residual.value, weighing.residual.u
        words = "the load less what was drained"
        found.append(Amount(name="drained", words=words, mass=mass, terms={"drained mass": rest_u}, by_load=1.0))
    return found


def _run_out(tank: Tank) -> Amount | None:
    """Return the load less what cannot leave; ``None`` where the load has no uncertainty, so was not weighed."""
    rest = tank.unusable_residual
    if tank.liquid_load.u <= 0.0:
        return None
    stated = rest.value > 0.0 or rest.u > 0.0
    u = math.hypot(rest.u, FADES_U * rest.value) if stated else UNSTATED_RESIDUAL * tank.liquid_load.value
    mass = tank.liquid_load.value - rest.value
    return Amount(
        name="run-out", words="the load until run-out", mass=mass, terms={"residual at run-out": u}, by_load=1.0
    )


def _weighed_tank(
    dataset: Dataset, channel: Channel, instants: FlowInstants, flow: AveragedDischarge
) -> tuple[Amount | None, list[Finding]]:
    """Take the slope of a weighed tank's reading against the drive integral: CdA at every instant, so to speak."""
    time, mass = _inside(channel, *_open(instants))
    if time.size < LEAST_SAMPLES or time[-1] - time[0] < LEAST_SPAN:
        return None, [_too_short(channel)]
    total, partial = flow.drive_integral()
    at = np.concatenate([[flow.opening_time], flow.time, [flow.end_time]])
    driven = np.interp(time, at, np.concatenate([[0.0], partial, [total]]))
    x = (driven - driven[0]) / (driven[-1] - driven[0])
    line = _line(x, mass, 1)
    bent = _line(x, mass, 2)
    left = -line.value[1]
    share_of_noise = math.sqrt(line.covariance[1, 1])
    said = _creeping(channel, bent, left)
    step, step_u = _step_at_opening(channel, instants, line, x_open=-driven[0] / (driven[-1] - driven[0]))
    terms = {
        f"{channel.tag} gain": channel.gain_u * left,
        f"{channel.tag} noise": share_of_noise,
        **_supply_term(channel, left),
    }
    if abs(step) > JET * step_u:
        # The jet's force goes as the pressure drop, so what fell of it during the flow reads as mass that left.
        drive = np.interp([time[0], time[-1]], flow.time, flow.pressure - flow.back_pressure)
        terms[f"{channel.tag} jet"] = abs(step) * (1.0 - float(drive[1] / drive[0]))
        said.append(WEIGHED_TANK_FEELS_JET.at(channel.tag, instants.opening.time, step=step, step_u=step_u))
    span = (float(time[0]), float(time[-1]))
    return Amount(name=channel.tag, words=f"the weighed tank ({channel.tag})", mass=left, terms=terms, span=span), said


def _caught_on_scale(
    dataset: Dataset, channel: Channel, instants: FlowInstants, flow: AveragedDischarge
) -> tuple[Amount | None, list[Finding]]:
    """Take a bucket's reading at rest after the flow less that before, in air: drops in flight count nowhere else."""
    before = _inside(channel, instants.opening.time - STILL, instants.opening.time - 0.2)[1]
    after = _inside(channel, instants.end.time + SETTLING, instants.end.time + SETTLING + STILL)[1]
    if min(before.size, after.size) < LEAST_SAMPLES:
        return None, [_too_short(channel)]
    caught = over_reading(dataset.plan.site, flow.density) * float(np.mean(after) - np.mean(before))
    noise = math.hypot(_mean_u(before), _mean_u(after))
    terms = {
        f"{channel.tag} gain": channel.gain_u * caught,
        f"{channel.tag} noise": noise,
        **_supply_term(channel, caught),
    }
    return Amount(name=channel.tag, words=f"the scale under the bucket ({channel.tag})", mass=caught, terms=terms), []


def _flow_meter(
    dataset: Dataset, channel: Channel, instants: FlowInstants, flow: AveragedDischarge
) -> tuple[Amount | None, list[Finding]]:
    """Integrate a flow meter while the valve was open."""
    time, rate = _inside(channel, *_open(instants))
    if time.size < LEAST_SAMPLES or time[-1] - time[0] < LEAST_SPAN:
        return None, [_too_short(channel)]
    of_volume = channel.calibration.dimension == "volume flow"
    scale = flow.density if of_volume else 1.0
    said = _meter_zero(channel, instants)
    mass = scale * float(np.trapezoid(rate, time))
    length = float(time[-1] - time[0])
    terms = {
        f"{channel.tag} gain": channel.gain_u * mass,
        f"{channel.tag} zero": scale * channel.zero_u * length,
        f"{channel.tag} noise": scale * length * _noise_of_mean(time, rate),
        **_supply_term(channel, mass),
    }
    amount = Amount(
        name=channel.tag,
        words=f"the flow meter {channel.tag}",
        mass=mass,
        terms=terms,
        span=(float(time[0]), float(time[-1])),
        density_power=1.0 if of_volume else 0.0,
        clock_power=1.0,
    )
    return amount, said


def _venturi(
    dataset: Dataset, channel: Channel, instants: FlowInstants, flow: AveragedDischarge
) -> tuple[Amount | None, list[Finding]]:
    r"""Integrate a calibrated venturi, :math:`m = C_dA_v \sqrt{2 \rho} \int \sqrt{\Delta p}\, dt`."""
    stated = dataset.stand.input_tagged(channel.tag).venturi_cda
    time, difference = _inside(channel, *_open(instants))
    if stated is None or time.size < LEAST_SAMPLES or time[-1] - time[0] < LEAST_SPAN:
        return None, [_too_short(channel)]
    # Means first: the root of noise about a small difference would read high.
    means = block_means(time, difference, max(LEAST_SAMPLES, min(time.size // 20, 200)))
    if not float(np.min(means.value)) > 0.0:
        return None, [_no_difference(channel)]
    length, cda = float(time[-1] - time[0]), stated.value

    def mass_at(change: Callable[[Array], Array]) -> float:
        root = np.sqrt(np.maximum(change(means.value), 0.0))
        return cda * math.sqrt(2.0 * flow.density) * length * float(np.mean(root))

    mass = mass_at(lambda p: p)
    noise = _noise_of_mean(time, difference)
    terms = {
        f"{channel.tag} CdA": stated.relative_u * mass,
        f"{channel.tag} gain": 0.5 * channel.gain_u * mass,
        f"{channel.tag} zero": mass_at(lambda p: p + channel.zero_u) - mass,
        f"{channel.tag} noise": mass_at(lambda p: p + noise) - mass,
        **{source: 0.5 * u for source, u in _supply_term(channel, mass).items()},
    }
    amount = Amount(
        name=channel.tag,
        words=f"the venturi {channel.tag}",
        mass=mass,
        terms=terms,
        span=(float(time[0]), float(time[-1])),
        density_power=0.5,
        clock_power=1.0,
    )
    return amount, _meter_zero(channel, instants)


_Reader = Callable[[Dataset, Channel, FlowInstants, AveragedDischarge], tuple[Amount | None, list[Finding]]]
_READERS: dict[str, _Reader] = {
    measurands.CAUGHT_MASS: _caught_on_scale,
    measurands.LIQUID_MASS: _weighed_tank,
    measurands.LIQUID_FLOW: _flow_meter,
    measurands.VENTURI_PRESSURE: _venturi,
}
_OF_TANK = {measurands.LIQUID_MASS: _weighed_tank}  # of a liquid that boils on its way out


@dataclass(frozen=True, slots=True, eq=False)
class _Line:
    value: Array  # rising powers
    covariance: Array


def _line(x: Array, y: Array, order: int) -> _Line:
    design = np.vander(x, order + 1, increasing=True)
    inverse = np.linalg.pinv(design)
    value = inverse @ y
    residual = y - design @ value
    tau = correlation_time(residual)
    variance = float(residual @ residual) / max(x.size - order - 1, 1) * tau
    return _Line(value, inverse @ inverse.T * variance)


def _open(instants: FlowInstants) -> tuple[float, float]:
    return instants.opening.time + CLEAR, instants.end.time - CLEAR


def _inside(channel: Channel, start: float, end: float) -> tuple[Array, Array]:
    use = (channel.time >= start) & (channel.time <= end) & np.isfinite(channel.reading) & ~channel.clipped
    return channel.time[use], channel.reading[use]


def _noise_of_mean(time: Array, value: Array) -> float:
    """Return what noise makes of a mean over a slow curve, correlation included."""
    x = (time - time[0]) / (time[-1] - time[0])
    rest = value - np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyfit(x, value, 4))
    return float(np.std(rest)) * math.sqrt(correlation_time(rest) / rest.size)


def _mean_u(rest: Array) -> float:
    """Return what noise makes of a mean of still readings."""
    return float(np.std(rest)) * math.sqrt(correlation_time(rest) / rest.size)


def _supply_term(channel: Channel, mass: float) -> dict[str, float]:
    """Return what the supply adds, by its name: a tank sensor that hangs on the same one moves with it."""
    name = channel.supply or f"{channel.tag} supply"
    return {name: channel.supply_u * mass} if channel.supply_u else {}


def _step_at_opening(channel: Channel, instants: FlowInstants, line: _Line, *, x_open: float) -> tuple[float, float]:
    """Return how far the line of the flow, carried back to the opening, lies from the reading at rest, and its u."""
    before = _inside(channel, instants.opening.time - STILL, instants.opening.time - 0.2)[1]
    if before.size < LEAST_SAMPLES:
        return 0.0, math.inf
    powers = np.array([1.0, x_open])
    line_u = math.sqrt(max(float(powers @ line.covariance @ powers), 0.0))
    late = abs(float(line.value[1])) * instants.opening.u / max(instants.end.time - instants.opening.time, 1e-9)
    return float(powers @ line.value) - float(np.mean(before)), math.hypot(_mean_u(before), line_u, late)


def _creeping(channel: Channel, bent: _Line, left: float) -> list[Finding]:
    """Say where the flow area changed while the valve stood open: the reading is straight in the drive integral."""
    # d mass / d x = b + 2 c x: over the flow the area changes by 2 c / b of itself.
    change = 2.0 * float(bent.value[2]) / float(bent.value[1]) if bent.value[1] else 0.0
    u = 2.0 * math.sqrt(float(bent.covariance[2, 2])) / max(abs(left), 1e-9)
    if abs(change) < max(CREEPS * u, CREEP_SHARE):
        return []
    way = "rose" if change > 0.0 else "fell"
    return [FLOW_AREA_CREEPS.at(channel.tag, way=way, change_percent=100.0 * abs(change), u_percent=100.0 * u)]


def _meter_zero(channel: Channel, instants: FlowInstants) -> list[Finding]:
    rest = _inside(channel, instants.opening.time - STILL, instants.opening.time - 0.2)[1]
    if rest.size < LEAST_SAMPLES:
        return []
    mean = float(np.mean(rest))
    u = math.hypot(channel.zero_u, _mean_u(rest))
    if abs(mean) <= OFF_ZERO * u:
        return []
    unit, scale = channel.calibration.reading_unit, channel.calibration.scale
    return [
        METER_NOT_AT_ZERO.at(
            channel.tag, instants.opening.time - STILL, mean=mean / scale, unit=unit, explained=OFF_ZERO * u / scale
        )
    ]


def _unusable(channel: Channel) -> Finding:
    return AMOUNT_NOT_USABLE.at(channel.tag)


def _too_short(channel: Channel) -> Finding:
    return AMOUNT_OUTSIDE_RECORD.at(channel.tag)


def _no_difference(channel: Channel) -> Finding:
    return AMOUNT_WITHOUT_DIFFERENCE.at(channel.tag)
