"""The numbers behind a firing's prediction: each with its uncertainty, how it is moved, and what would decide.

SI, absolute pressures. The plan's own quasi-steady model, whose ullage may drift about its planned exponent.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Any, Generic, NamedTuple, TypeVar

import numpy as np

from standbook.analysis.findings.causes import (
    CDA_MOVED,
    CSTAR_MOVED,
    EXPONENT_MOVED,
    LOAD_MOVED,
    SIDES,
    START_PRESSURE_MOVED,
    THROAT_MOVED,
    THRUST_COEFFICIENT_MOVED,
)
from standbook.analysis.physics.engine import Chamber, Side
from standbook.analysis.prediction import draws
from standbook.analysis.results.quantities import Measured
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Engine, Plan, Tank
from standbook.daq.errors import ConfigError
from standbook.daq.findings.finding import FindingKind
from standbook.daq.quantity import Quantity

Model = TypeVar("Model")

DRIFT, DRIFT_U = -0.25, 0.25  # c of an ullage of which only the chord is planned; -0.64 to -0.03 over water
LEAST_SHIFT = 0.02  # of a value that the plan states as exact: below it nothing is called moved


@dataclass(frozen=True, slots=True, kw_only=True)
class DriftingSide(Side):
    """A side whose ullage keeps the plan's exponent as a chord while the local one drifts, as real gas does."""

    drift: Array  # c of the local law [-]

    def ullage_pressure(self, mass: Array) -> Array:
        """Return the absolute gas pressure with ``mass`` [kg] of liquid aboard. [Pa]."""
        first = self.volume - self.load / self.density
        L = np.log((self.volume - mass / self.density) / first)
        last = np.log((self.volume - self.residual / self.density) / first)
        return np.asarray(self.start_pressure * np.exp(-L * (self.exponent + self.drift * (L - last))))


@dataclass(frozen=True, slots=True)
class Models:
    """Both sides and the chamber; (1,) or (S,) each."""

    oxidiser: DriftingSide
    fuel: DriftingSide
    chamber: Chamber


@dataclass(frozen=True, slots=True, kw_only=True)
class Assumption:
    """One number of the plan: its value, how well it is known, how it is moved, and in words."""

    kind: FindingKind
    about: str | None  # tank
    value: float
    u: float
    unit: str
    scale: float  # what the unit is of the value
    digits: int
    words: str
    move: Callable[[Models, Array], Models]  # by a difference of the value
    decide: str

    @property
    def name(self) -> str:
        """What the ranking calls it."""
        return self.kind.code


def models_of(plan: Plan) -> Models:
    """Return the plan's nominal model."""
    oxidiser, fuel = (_drifting(draws.tank_side(plan.tank_named(name), plan.site, draws.nominal)) for name in SIDES)
    return Models(oxidiser, fuel, draws.chamber(draws.engine_of(plan), plan.site, draws.nominal))


def _drifting(side: Side) -> DriftingSide:
    values = {field.name: getattr(side, field.name) for field in fields(Side)}
    return DriftingSide(**values, drift=np.full_like(side.exponent, DRIFT))


def assumptions_of(plan: Plan) -> tuple[Assumption, ...]:
    """Return all that may have moved, from the plan.

    Raises
    ------
    ConfigError
        The plan has no engine.
    """
    engine = plan.engine
    if engine is None:
        raise ConfigError(f"plan {plan.test.number}: a firing needs an [engine] table")
    found: list[Assumption] = []
    for name in SIDES:
        found += _of_tank(plan, plan.tank_named(name))
    return (*found, *_of_engine(engine))


def _of_tank(plan: Plan, tank: Tank) -> list[Assumption]:
    stated = {
        "exponent": tank.ullage_exponent,
        "cda": tank.feed_cda,
        "load": tank.liquid_load,
        "start_pressure": plan.start_pressure(tank),
    }
    return [_assumption(part, stated[part.field], about=tank.name, place=tank.name) for part in _tank_parts(tank.name)]


def _of_engine(engine: Engine) -> list[Assumption]:
    throat = engine.throat_diameter
    area = math.pi / 4.0 * throat.value**2
    stated: dict[str, Measured | Quantity] = {
        "cstar_efficiency": engine.cstar_efficiency,
        "throat_area": Measured(area, 2.0 * area * throat.relative_u, "m2"),
        "thrust_coefficient_efficiency": engine.thrust_coefficient_efficiency,
    }
    return [_assumption(part, stated[part.field], about=None, place="chamber") for part in _ENGINE_PARTS]


class _Shown(NamedTuple):
    """How a value is written."""

    unit: str
    scale: float
    digits: int


_RATIO, _SMALL_RATIO = _Shown("", 1.0, 2), _Shown("", 1.0, 3)
_KILOGRAMS, _BARS = _Shown(" kg", 1.0, 2), _Shown(" bar(a)", 1e5, 2)
_FEED_AREA, _THROAT_AREA = _Shown(" mm2", 1e-6, 2), _Shown(" mm2", 1e-6, 1)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Part(Generic[Model]):
    """One number of a side or of the chamber that may have moved."""

    kind: FindingKind
    field: str  # of the model
    shown: _Shown
    words: str
    limited: Callable[[Model, Array], Array]  # a moved value, kept where the model can be computed
    decide: str


def _tank_parts(name: str) -> tuple[_Part[DriftingSide], ...]:
    """Return what may have moved of a side, in the order in which it is told."""
    return (
        _Part(
            kind=EXPONENT_MOVED[name],
            field="exponent",
            shown=_RATIO,
            words=f"the {name} ullage exponent",
            limited=lambda s, moved: np.maximum(moved, 0.05),
            decide="take it from this tank's pressure and weighed liquid, and from a cold flow with the same "
            "liquid and gas",
        ),
        _Part(
            kind=CDA_MOVED[name],
            field="cda",
            shown=_FEED_AREA,
            words=f"the {name} feed CdA",
            limited=lambda s, moved: np.maximum(moved, 0.05 * s.cda),
            decide=f"compare the {name} manifold pressure with the water flow, and weigh what stayed aboard",
        ),
        _Part(
            kind=LOAD_MOVED[name],
            field="load",
            shown=_KILOGRAMS,
            words=f"the {name} load",
            limited=lambda s, moved: np.clip(moved, s.residual * 1.01, 0.99 * s.volume * s.density),
            decide="hold the cell's reading before and after filling against the notes, and weigh what stayed aboard",
        ),
        _Part(
            kind=START_PRESSURE_MOVED[name],
            field="start_pressure",
            shown=_BARS,
            words=f"the {name} start pressure",
            limited=lambda s, moved: np.maximum(moved, 1e5),
            decide="read the tank sensors at rest just before T-0, both of a pair, and their zero at ambient",
        ),
    )


_ENGINE_PARTS: tuple[_Part[Chamber], ...] = (
    _Part(
        kind=CSTAR_MOVED,
        field="cstar_efficiency",
        shown=_SMALL_RATIO,
        words="the c* efficiency",
        limited=lambda c, moved: np.maximum(moved, 0.1),
        decide="measure the throat after the run: a throat as drawn leaves c*",
    ),
    _Part(
        kind=THROAT_MOVED,
        field="throat_area",
        shown=_THROAT_AREA,
        words="the throat area",
        limited=lambda c, moved: np.maximum(moved, 0.1 * c.throat_area),
        decide="gauge the throat after the run and look for deposits or erosion",
    ),
    _Part(
        kind=THRUST_COEFFICIENT_MOVED,
        field="thrust_coefficient_efficiency",
        shown=_SMALL_RATIO,
        words="the thrust coefficient efficiency (or the cell's span, alignment or load path)",
        limited=lambda c, moved: np.maximum(moved, 0.05),
        decide="hang a check weight on the cell after the run, hoses on and pressurised",
    ),
)


def _assumption(part: _Part[Any], stated: Measured | Quantity, *, about: str | None, place: str) -> Assumption:
    """Join a number of the plan with the part of the models that it moves."""

    def move(models: Models, by: Array) -> Models:
        model = getattr(models, place)
        moved = part.limited(model, getattr(model, part.field) + by)
        return replace(models, **{place: replace(model, **{part.field: moved})})

    return Assumption(
        kind=part.kind,
        about=about,
        value=stated.value,
        u=stated.u,
        unit=part.shown.unit,
        scale=part.shown.scale,
        digits=part.shown.digits,
        words=part.words,
        move=move,
        decide=part.decide,
    )


def shifts_of(assumption: Assumption) -> Array:
    """Return what a move may amount to: from what the plan's uncertainty hardly explains to half of the value."""
    least = max(1.5 * assumption.u, LEAST_SHIFT * assumption.value)
    most = max(0.4 * assumption.value, 3.0 * least)
    rising = np.geomspace(least, most, 6)
    return np.concatenate([-rising[::-1], rising])


def broadcast(models: Models, number: int) -> Models:
    """Return as many members, all nominal."""

    def wide(array: Array) -> Array:
        return np.broadcast_to(array, (number,)).copy()

    def side(s: DriftingSide) -> DriftingSide:
        return replace(
            s,
            drift=wide(s.drift),
            volume=wide(s.volume),
            load=wide(s.load),
            residual=wide(s.residual),
            density=wide(s.density),
            start_pressure=wide(s.start_pressure),
            exponent=wide(s.exponent),
            cda=wide(s.cda),
        )

    c = models.chamber
    chamber = replace(
        c,
        throat_area=wide(c.throat_area),
        cstar_efficiency=wide(c.cstar_efficiency),
        thrust_coefficient_efficiency=wide(c.thrust_coefficient_efficiency),
    )
    return Models(side(models.oxidiser), side(models.fuel), chamber)


def moved_by(members: Models, assumption: Assumption, where: slice, by: Array) -> Models:
    """Return the members with one assumption moved in some of them, by differences of its value."""
    step = np.zeros(members.oxidiser.load.size)
    step[where] = by
    return assumption.move(members, step)
