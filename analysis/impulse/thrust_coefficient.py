"""Mean thrust coefficient of a firing, with what thrust and chamber pressure share. SI, absolute pressures."""

from standbook.analysis.budget.terms import Term, combined, of_ratio, settled, without
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.impulse.impulse_budget import SUPPLY, supply_term
from standbook.analysis.physics.performance import mean_thrust_coefficient
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.thrust_record import ThrustRecord


def thrust_coefficient_of(
    dataset: Dataset,
    record: ThrustRecord,
    chamber: Channel,
    *,
    throat: Measured,
    impulse: Measured,
    pressure_integral: Measured,
    window: tuple[float, float],
) -> Measured:
    """Return impulse over throat area and pressure integral; one supply under both counts by its difference. [-].

    Parameters
    ----------
    impulse, pressure_integral : Measured
        Between the same two instants. [N*s], [Pa s]
    window : tuple of float
        Those instants. [s]
    """
    mean = pressure_integral.value / (window[1] - window[0])
    driven = chamber.supply_effect(mean, dataset.plan.site.ambient_pressure) / mean
    below = [
        Term("chamber", without(pressure_integral.u / pressure_integral.value, driven)),
        Term("throat area", throat.u / throat.value),
        Term(SUPPLY, driven, shared=chamber.supply or None),
    ]
    supply = supply_term(record, *window)
    shared = Term(SUPPLY) if supply is None else supply.over(impulse.value)
    above = [Term("impulse", without(impulse.u / impulse.value, shared.effect)), shared]
    value = mean_thrust_coefficient(impulse, throat, pressure_integral).value
    return Measured(value, abs(value) * combined(settled(of_ratio(above, below))), "1")
