"""Causes of an odd cold flow: what each would do to this very run, how likely each is, and what would decide.

SI, absolute pressures. Signatures are computed for the vessel, gas and flow at hand (`analysis.physics.ullage_model`),
with the gas taking up heat as it may; nothing is known beforehand but how large a fault may credibly be.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.diagnosis.flow_evidence import NAMES, Evidence, evidence_of, predicted, weighed_of
from standbook.analysis.diagnosis.ranking import Diagnosis, Signature, diagnose
from standbook.analysis.findings import causes
from standbook.analysis.physics.ullage_model import Faults, Gas, Vessel, courses, gas_at
from standbook.daq.arrays import Array
from standbook.daq.findings.finding import FindingKind

HEAT = np.exp(np.linspace(math.log(0.2), math.log(3.5), 6))  # the law is known no better than 0.3 to 3
ANY_HEAT = (1e-3, 30.0)  # none, and as much as keeps the gas at its temperature: what stands between is no fault yet
HEAT_USUAL, HEAT_SPREAD = 0.8, 0.7  # median, sd of the logarithm
WARM, WARM_U = 2.5, 2.5  # K that pressurising leaves the gas above its surroundings
STROKE, STROKE_U = 0.1, 0.06  # s
# What the lumped gas volume leaves of the real gas's observables in health, standard, in the order of NAMES.
MODEL_U = (0.012, 0.015, 1.5e-4, 1.5e-4, 1e-4, 1e-4, 8e-5, 8e-5, 4e-4, 0.0, 0.0, 0.002, 0.0, 5e-4, 5e-4, 0.0, 0.0, 0.0)
MODEL_SHARE = 0.2  # of the misfits, which grow with the square of the volume's logarithm
CHOKED = 0.685  # flow factor of a choked diatomic gas [-]

Maker = Callable[[Faults, Array], Faults]
Sizes = Callable[["Case"], Array]


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """The run that causes are held against."""

    dataset: Dataset
    side: FlowSide
    evidence: Evidence
    gas: Gas

    @property
    def vessel(self) -> Vessel:
        """The tank and flow as noted and seen."""
        return self.evidence.vessel


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One cause: how large it may be, what it spoils, and in words."""

    kind: FindingKind
    sizes: Sizes
    make: Maker
    say: Callable[[Case, float], str]
    decide: str  # the measurement that would
    applies: Callable[[Case], bool] = lambda _: True
    adds: Callable[[Case], Mapping[str, float]] = lambda _: {}  # to observables beside the pressure, times the size

    @property
    def name(self) -> str:
        """What the ranking calls it."""
        return self.kind.code


def case_of(dataset: Dataset, side: FlowSide) -> Case | None:
    """Collect what a diagnosis needs, ``None`` where the record is not enough.

    Raises
    ------
    DataError
        The property library does not know the pressurant.
    """
    evidence = evidence_of(dataset, side)
    if evidence is None:
        return None
    tank, vessel = side.tank, evidence.vessel
    temperature = (tank.gas_temperature or dataset.plan.site.ambient_temperature).value
    length = math.log1p(vessel.expelled_mass / vessel.density / vessel.ullage_volume)
    # Only sets how the isentropic exponent changes on the way: an end that a plain exponent gives will do.
    end = vessel.start_pressure * math.exp(-1.3 * length)
    gas = gas_at(tank.pressurant, start_pressure=vessel.start_pressure, end_pressure=end, temperature=temperature)
    return Case(dataset, side, evidence, gas)


def diagnose_flow(case: Case) -> Diagnosis:
    """Rank the causes of one cold flow."""
    evidence = case.evidence
    weight = np.exp(-0.5 * (np.log(HEAT / HEAT_USUAL) / HEAT_SPREAD) ** 2)
    weight /= weight.sum()
    causes = [cause for cause in CAUSES if cause.applies(case)]
    sizes = [cause.sizes(case) for cause in causes]
    nuisances = _nuisances(case)
    parts = [_health(HEAT)]
    parts += [_many(cause.make, size) for cause, size in zip(causes, sizes, strict=True)]
    parts += [moved for moved, _ in nuisances]
    found = predicted(courses(evidence.vessel, case.gas, _joined(parts)), _joined(parts), evidence)
    pieces = np.split(found, np.cumsum([part.heat.size for part in parts])[:-1])
    healthy = pieces[0]
    middle = _at_usual(healthy)
    of_law = np.array([MODEL_SHARE if name.startswith("misfit") else 0.0 for name in NAMES]) * middle
    covariance = evidence.noise + np.diag(np.square(MODEL_U) + of_law**2)
    for (_, share), piece in zip(nuisances, pieces[len(causes) + 1 :], strict=True):
        change = (piece[0] - middle) * share
        covariance = covariance + np.outer(change, change)
    known = np.isfinite(evidence.observed)
    keep = np.ix_(known, known)
    signatures = [
        Signature(
            name=cause.name,
            sizes=size,
            predicted=_with_added(case, cause, size, piece)[..., known],
            healthy=healthy[:, known],
            state_weight=weight,
        )
        for cause, size, piece in zip(causes, sizes, pieces[1:], strict=False)
    ]
    return diagnose(evidence.observed[known], covariance[keep], healthy[:, known], weight, signatures)


def chords_by_heat(case: Case) -> tuple[float, float]:
    """Return the chord exponents that more or less heat than any usual law gives, from most heat to none."""
    faults = _health(np.array(ANY_HEAT))
    found = predicted(courses(case.vessel, case.gas, faults), faults, case.evidence)[:, NAMES.index("chord exponent")]
    return float(np.min(found)), float(np.max(found))


def known_names(evidence: Evidence) -> list[str]:
    """Return the observables that the record gives, in the order of a diagnosis."""
    return [name for name, value in zip(NAMES, evidence.observed, strict=True) if math.isfinite(value)]


def _with_added(case: Case, cause: Cause, sizes: Array, piece: Array) -> Array:
    predicted_of = piece.reshape(sizes.size, HEAT.size, -1).copy()
    for name, factor in cause.adds(case).items():
        predicted_of[..., NAMES.index(name)] += factor * sizes[:, np.newaxis]
    return predicted_of


def _nuisances(case: Case) -> list[tuple[Faults, float]]:
    """Return healthy members that differ as far as notes and calibrations may, with the share to take of each."""
    side, vessel = case.side, case.vessel
    tank, channel = side.tank, side.channel
    filled = vessel.load / vessel.density
    volume = math.hypot(tank.internal_volume.u, filled * tank.liquid_density.relative_u) / vessel.ullage_volume
    amount = weighed_of(case.dataset, side)
    zero = channel.zero_u
    terms: list[tuple[str, float]] = [
        ("volume", volume),
        ("load", tank.liquid_load.relative_u),
        ("mass", amount.u / amount.value if amount is not None else 0.0),
        ("zero", zero),
        ("gain", channel.gain_u),
    ]
    usual = _health(np.array([HEAT_USUAL]))
    moved = [(replace(usual, **{name: np.array([u])}), 1.0) for name, u in terms if u > 0.0]
    moved.append((replace(usual, warm=np.array([WARM + WARM_U])), 1.0))
    moved.append((replace(usual, stroke=np.array([STROKE + STROKE_U])), 1.0))
    return moved


def _at_usual(healthy: Array) -> Array:
    return np.array([np.interp(math.log(HEAT_USUAL), np.log(HEAT), column) for column in healthy.T])


def _health(heat: Array) -> Faults:
    healthy = Faults.none(heat.size, stroke=STROKE)
    return replace(healthy, heat=heat.astype(np.float64), warm=np.full(heat.size, WARM))


def _many(make: Maker, sizes: Array) -> Faults:
    """Return one member for each size and each state of health, sizes outermost."""
    return make(_health(np.tile(HEAT, sizes.size)), np.repeat(sizes, HEAT.size))


def _joined(parts: list[Faults]) -> Faults:
    names = Faults.__dataclass_fields__
    return Faults(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def _between(low: float, high: float, number: int = 7) -> Array:
    return np.geomspace(low, high, number)


def _both(low: float, high: float, number: int = 5) -> Array:
    rising = _between(low, high, number)
    return np.concatenate([-rising[::-1], rising])


def _one(field: str) -> Maker:
    return lambda faults, size: replace(faults, **{field: size})


def leak_area(case: Case, share: float) -> float:
    """Return CdA of the choked opening that loses this share of the start's gas in a second. [m²]."""
    gas, vessel = case.gas, case.vessel
    return share * vessel.ullage_volume * gas.density / (CHOKED * math.sqrt(gas.start_pressure * gas.density))


def _weighed_rest(case: Case) -> bool:
    return math.isfinite(case.evidence.observed[NAMES.index("left aboard")])


def _full_scale(case: Case) -> float:
    calibration = case.side.channel.calibration
    return calibration.scale * (calibration.highest - calibration.lowest)


def _least_volume(case: Case) -> float:
    tank = case.side.tank
    return max(0.015, 2.0 * tank.internal_volume.u / case.vessel.ullage_volume)


def _percent(text: str) -> Callable[[Case, float], str]:
    return lambda _, size: text.format(abs(100.0 * size), "more" if size > 0 else "less")


def _says_zero(case: Case, size: float) -> str:
    return f"the zero of {case.side.channel.tag} is off by {size / 1e5:+.2f} bar"


def _says_creep(_: Case, size: float) -> str:
    return f"the valve crept {'open' if size > 0 else 'shut'} by {abs(100.0 * size):.1f} % a second during the flow"


def _says_gas(_: Case, size: float) -> str:
    return f"the gas was {abs(size):.0f} K {'warmer' if size > 0 else 'colder'} than the tank when it was shut in"


CAUSES: tuple[Cause, ...] = (
    Cause(
        kind=causes.ULLAGE_LEAK,
        sizes=lambda case: _between(4e-4, 0.12, 8),
        make=_one("leak"),
        say=lambda case, size: f"gas leaked from the ullage through about {1e6 * leak_area(case, size):.2g} mm2",
        decide="pressurise with the main valve shut, log for five minutes and soap every joint, vent and relief valve",
    ),
    Cause(
        kind=causes.SUPPLY_LEAKS_IN,
        sizes=lambda case: _between(3e-4, 0.06, 8),
        make=_one("feed"),
        say=lambda case, size: (
            "gas leaked in from the supply at about "
            f"{1e3 * size * case.gas.density * case.vessel.ullage_volume:.2g} g/s"
        ),
        decide="shut and vent the supply line, and watch the closed tank's pressure for five minutes",
    ),
    Cause(
        kind=causes.SUPPLY_OPEN,
        sizes=lambda case: np.array([0.6, 0.8, 0.9, 1.0]),
        make=_one("held"),
        say=lambda case, size: f"the supply was left open and made good {100.0 * min(size, 1.0):.0f} % of the fall",
        decide="read the regulator's outlet and the supply valve's position, vent the supply line and repeat",
    ),
    Cause(
        kind=causes.TANK_VOLUME,
        sizes=lambda case: _both(_least_volume(case), 0.4),
        make=_one("volume"),
        say=_percent("the ullage is {:.1f} % {} than tank volume and fill say"),
        decide="fill the tank to the brim with weighed water, and weigh the next fill",
    ),
    Cause(
        kind=causes.LOAD_NOTE,
        sizes=lambda case: _both(max(0.01, 2.0 * case.side.tank.liquid_load.relative_u), 0.3),
        make=_one("load"),
        say=_percent("{:.1f} % {} liquid was aboard than the plan's load"),
        decide="weigh the tank before and after filling, and drain and weigh what stays aboard",
    ),
    Cause(
        kind=causes.AMOUNT_NOTE,
        sizes=lambda case: _both(0.01, 0.25),
        make=_one("mass"),
        say=_percent("{:.1f} % {} liquid left than was weighed (spilt, bypassed, or the scale is off)"),
        decide="check the scale with a known weight, and look for liquid that passed the bucket",
    ),
    Cause(
        kind=causes.SENSOR_ZERO,
        sizes=lambda case: _both(
            max(0.004 * _full_scale(case), 2.0 * case.side.channel.zero_u), 0.1 * _full_scale(case)
        ),
        make=_one("zero"),
        say=_says_zero,
        decide="read the sensor with the tank open to the air, before and after, against the barometer",
    ),
    Cause(
        kind=causes.SENSOR_DESCRIBED_ABSOLUTE,
        sizes=lambda case: np.array([-1.0, -1.0]) * case.dataset.plan.site.ambient_pressure.value,
        make=_one("zero"),
        say=lambda case, _: f"{case.side.channel.tag} reads gauge pressure but is described as absolute",
        decide="read it with the tank open to the air: zero means gauge; then correct its calibration",
        applies=lambda case: case.side.channel.calibration.reference == "absolute",
    ),
    Cause(
        kind=causes.SENSOR_GAIN,
        sizes=lambda case: _both(max(0.015, 2.0 * case.side.channel.gain_u), 0.3),
        make=_one("gain"),
        say=lambda case, size: f"the span of {case.side.channel.tag} is off by {100.0 * size:+.1f} %",
        decide="shunt the sensor or set it against a dead-weight tester or a second gauge",
        applies=lambda case: math.isfinite(case.evidence.observed[NAMES.index("twin")]),
    ),
    Cause(
        kind=causes.OTHER_SENSOR,
        sizes=lambda case: _both(
            max(0.004 * _full_scale(case), 2.0 * case.side.channel.zero_u), 0.1 * _full_scale(case)
        ),
        make=lambda faults, size: faults,
        say=lambda case, size: (
            f"the second sensor of the tank is off by {size / 1e5:+.2f} bar, not {case.side.channel.tag}"
        ),
        decide="read both sensors with the tank open to the air and against a third gauge",
        applies=lambda case: math.isfinite(case.evidence.observed[NAMES.index("twin")]),
        adds=lambda _: {"twin": 1.0, "twin at ambient": 1.0},
    ),
    Cause(
        kind=causes.GAS_NOT_SETTLED,
        sizes=lambda case: np.concatenate([-_between(10.0, 60.0, 4)[::-1], _between(10.0, 60.0, 4)]),
        make=_one("warm"),
        say=_says_gas,
        decide="hold the pressure until it stands still, a minute or more, or measure the gas temperature",
    ),
    Cause(
        kind=causes.COLD_LIQUID,
        sizes=lambda case: _between(60.0, 200.0, 5),
        make=_one("cold"),
        say=lambda case, size: (
            f"the gas gave its heat to a liquid or a wall some {size:.0f} K colder (ullage collapse)"
        ),
        decide="log gas and liquid temperatures, and take the exponent from a flow at the same temperatures",
    ),
    Cause(
        kind=causes.GAS_INGESTION,
        sizes=lambda case: _between(0.03, 0.7, 6),
        make=lambda faults, size: faults,
        say=lambda case, size: (
            f"gas was ingested with about {size * case.vessel.load:.2g} kg of liquid still aboard (vortex at "
            "the outlet)"
        ),
        decide="drain and weigh what stayed aboard, and look at the outlet's vortex breaker",
        applies=lambda case: case.side.instants.ran_dry,
        adds=lambda case: {"left aboard" if _weighed_rest(case) else "closure": case.vessel.load},
    ),
    Cause(
        kind=causes.VALVE_CREEPS,
        sizes=lambda case: _both(0.006, 0.6 / max(case.vessel.length, 6.0)),
        make=_one("creep"),
        say=_says_creep,
        decide="watch the valve's stem, or log manifold pressure or the tank's weight, from which the area follows",
    ),
    Cause(
        kind=causes.SLOW_VALVE,
        sizes=lambda case: np.array([0.4, 0.7, 1.1, 1.6, 2.3]),
        make=_one("stroke"),
        say=lambda case, size: f"the valve took about {size:.1f} s to open",
        decide="log the valve's end switch or stem, and start the fit after full opening",
    ),
    Cause(
        kind=causes.AREA_CHANGED,
        sizes=lambda case: _both(max(0.04, 2.0 * case.side.tank.feed_cda.relative_u), 1.2),
        make=lambda faults, size: faults,
        say=lambda case, size: (
            f"the flow area is {100.0 * abs(math.expm1(size)):.0f} % "
            f"{'above' if size > 0 else 'below'} the plan's "
            f"{'(wrong orifice or a bypass to the bucket)' if size > 0 else '(valve not fully open, ice or debris)'}"
        ),
        decide="read manifold pressure at full flow, and look at valve, filter and injector",
        adds=lambda _: {"area": 1.0},
    ),
)
BY_NAME: Mapping[str, Cause] = {cause.name: cause for cause in CAUSES}
