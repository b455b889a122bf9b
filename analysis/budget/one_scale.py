"""Masses from one scale: what its adjustment is off by counts whole in their sum and not at all in their ratio.

SI. A mass's uncertainty holds the scale's share; the rest of it is the mass's own.
"""

import math
from collections.abc import Iterable, Iterator

from standbook.analysis.budget.terms import Term, combined, of_ratio, settled
from standbook.analysis.results.quantities import Measured

SCALE = "scale"


def sum_of(masses: Iterable[Measured], scale_u: float) -> Measured:
    """Return the sum of masses; ``scale_u`` is the relative standard uncertainty that they share. [kg]."""
    masses = tuple(masses)
    terms = [term for mass in masses for term in _terms(mass, scale_u)]
    return Measured(sum(mass.value for mass in masses), combined(settled(terms)), "kg")


def ratio_of(over: Measured, under: Measured, scale_u: float) -> Measured:
    """Return one mass over another that was weighed alike. [-]."""
    value = over.value / under.value
    above, below = ([t.over(mass.value) for t in _terms(mass, scale_u)] for mass in (over, under))
    return Measured(value, abs(value) * combined(settled(of_ratio(above, below))), "1")


def _terms(mass: Measured, scale_u: float) -> Iterator[Term]:
    shared = min(scale_u * abs(mass.value), mass.u)
    yield Term(SCALE, math.copysign(shared, mass.value), shared=SCALE)
    yield Term("weighing", math.sqrt(mass.u**2 - shared**2))
