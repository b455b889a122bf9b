"""Sample a plan: every quantity with a standard uncertainty is drawn from its normal distribution.

SI, absolute pressures. A sample set is one Latin hypercube: each quantity's draws fill equal slices of its
probability, so that 500 draws place a band better than 500 independent ones. What a person typed without ``+/-`` is
taken as exact. Reads no file, clock or setting.
"""

from typing import Protocol

import numpy as np
from scipy.special import ndtri

from standbook.analysis.physics.engine import Chamber, CstarTable, Side
from standbook.analysis.results.prediction import rounded_number
from standbook.analysis.results.results import BudgetTerm
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Engine, Plan, Site, Tank
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Quantity, absolute

LEAST_ULLAGE = 0.01  # of the volume: a draw that overfills the tank is held here and counted
JOINT = "joint effects of several inputs"
LEAST_SHARE = 0.05  # of the nominal value: a draw of a positive quantity is held here and counted


class Sampler(Protocol):
    """Interface that gives values of quantities: nominal, or samples."""

    def __call__(self, name: str, quantity: Quantity, *, positive: bool = True) -> Array:
        """Return the quantity's values, one a sample; equal names share their standard normal score."""


def nominal(name: str, quantity: Quantity, *, positive: bool = True) -> Array:
    """Return a quantity's nominal value as a sample of one."""
    del name, positive
    return np.array([quantity.value])


class LatinHypercube:
    """Latin hypercube of a fixed size and seed; each name keeps the score it was first given."""

    def __init__(self, number: int, seed: int) -> None:
        self.number = number
        self.scores: dict[str, Array] = {}  # standard normal, of the names that have an uncertainty
        self.held = 0  # values that had to be kept physical
        self._random = np.random.default_rng(seed)

    def __call__(self, name: str, quantity: Quantity, *, positive: bool = True) -> Array:
        """Return the quantity's values, one a sample."""
        if quantity.u == 0.0:
            return np.full(self.number, quantity.value)
        if name not in self.scores:
            slices = self._random.permutation(self.number)
            self.scores[name] = ndtri((slices + self._random.uniform(size=self.number)) / self.number)
        values = quantity.value + quantity.u * self.scores[name]
        if not positive:
            return np.asarray(values)
        least = LEAST_SHARE * quantity.value
        self.held += int((values < least).sum())
        return np.maximum(values, least)

    def contributions(self, outcome: Array) -> tuple[BudgetTerm, ...]:
        """Return each input's own standard uncertainty in an outcome (S,), largest first.

        A parabola in every score is fitted at once; what the scores explain only together (two sides that mismatch
        strand propellant) is the last of the sources.
        """
        if not self.scores:
            return ()
        scores = np.column_stack(list(self.scores.values()))
        design = np.column_stack([np.ones(self.number), scores, scores**2 - 1.0])
        solution = np.linalg.lstsq(design, outcome, rcond=None)[0]
        slopes, bends = np.split(solution[1:], 2)
        alone = np.sqrt(slopes**2 + 2.0 * bends**2)  # z and z² - 1 have variances 1 and 2
        joint = np.std(outcome - design @ solution)
        terms = [*zip(self.scores, alone, strict=True), (JOINT, joint)]
        return tuple(BudgetTerm(name, rounded_number(float(u))) for name, u in sorted(terms, key=lambda term: -term[1]))


def ambient_pressure(site: Site, draw: Sampler) -> Array:
    """Return the site's ambient pressure, absolute. [Pa]."""
    return draw("ambient pressure", site.ambient_pressure)


def back_pressure(plan: Plan, draw: Sampler) -> Array:
    """Return the back pressure of a cold flow, absolute. [Pa]."""
    stated = plan.flow.back_pressure
    if stated is None:
        return ambient_pressure(plan.site, draw)
    back = draw("back pressure", stated, positive=False)
    if stated.reference == "gauge":
        back = back + ambient_pressure(plan.site, draw)
    return np.maximum(back, 0.0)


def tank_side(tank: Tank, site: Site, draw: Sampler, *, load: Quantity | None = None) -> Side:
    """Return one tank as inputs of the model; ``load`` replaces the planned load.

    Start pressures of all tanks share one score, and gauge readings share the barometer's: crews read them off one
    regulator and one make of gauge, and errors alike add up in the impulse, where opposite ones cancel.
    """

    def of(key: str, quantity: Quantity) -> Array:
        return draw(f"{key}, {tank.name}", quantity)

    volume, density = of("internal volume", tank.internal_volume), of("liquid density", tank.liquid_density)
    residual = draw(f"unusable residual, {tank.name}", tank.unusable_residual, positive=False)
    aboard = of("liquid load", load or tank.liquid_load)
    start = draw("start pressures", tank.start_pressure, positive=False)
    least = LEAST_SHARE * absolute(tank.start_pressure, site.ambient_pressure).value
    if tank.start_pressure.reference == "gauge":
        start = start + ambient_pressure(site, draw)
    if isinstance(draw, LatinHypercube):
        most = (1.0 - LEAST_ULLAGE) * volume * density
        draw.held += int((aboard > most).sum() + (start < least).sum())
        aboard, start = np.minimum(aboard, most), np.maximum(start, least)
    diameter = tank.internal_diameter
    return Side(
        volume=volume,
        load=aboard,
        residual=np.clip(residual, 0.0, 0.99 * aboard),
        density=density,
        start_pressure=start,
        exponent=of("ullage exponent", tank.ullage_exponent),
        cda=of("feed CdA", tank.feed_cda),
        surface_area=None if diameter is None else np.pi / 4.0 * of("internal diameter", diameter) ** 2,
        outlet_drop=tank.outlet_below_floor.value,
        gravity=site.gravity.value,
    )


def chamber(engine: Engine, site: Site, draw: Sampler) -> Chamber:
    """Return the chamber as inputs of the model; uncertain table speeds move together, by their largest share."""
    ratios, speeds = zip(*engine.cstar_table, strict=True)
    share = max(speed.relative_u for speed in speeds)
    table = draw("c* table", Quantity(value=1.0, u=share, dimension="number"))
    return Chamber(
        throat_area=np.pi / 4.0 * draw("throat diameter", engine.throat_diameter) ** 2,
        expansion_ratio=draw("expansion ratio", engine.expansion_ratio),
        ideal_cstar=CstarTable.of(np.array(ratios), np.array([speed.value for speed in speeds])),
        cstar_efficiency=table * draw("c* efficiency", engine.cstar_efficiency),
        vacuum_thrust_coefficient=draw("vacuum thrust coefficient", engine.vacuum_thrust_coefficient),
        thrust_coefficient_efficiency=draw("thrust coefficient efficiency", engine.thrust_coefficient_efficiency),
        ambient_pressure=ambient_pressure(site, draw),
    )


def engine_of(plan: Plan) -> Engine:
    """Return the plan's engine.

    Raises
    ------
    ConfigError
        It has none.
    """
    if plan.engine is None:
        raise ConfigError(f"plan {plan.test.number}: a firing cannot be predicted without an [engine] table")
    return plan.engine
