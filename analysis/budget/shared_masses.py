"""Masses that one scale, one pressure sensor or one standard moves together: whole in their sum, apart in their ratio.

SI. A mass's uncertainty holds what it shares with others; the rest of it is the mass's own.
"""

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field

from standbook.analysis.budget.terms import Term, combined, of_ratio, settled, without
from standbook.analysis.results.quantities import Measured

SCALE = "scale"


@dataclass(frozen=True, slots=True)
class SharedMass:
    """A mass, and what may move another mass as well."""

    mass: Measured  # [kg]
    moved: Mapping[str, float] = field(default_factory=dict)  # relative change of it, by name, signed

    def terms(self) -> Iterator[Term]:
        """Give what it is uncertain by, relative."""
        for name, change in self.moved.items():
            yield Term(name, change, shared=name)
        yield Term("its own", without(self.mass.u / abs(self.mass.value), math.hypot(*self.moved.values())))


def weighed_alike(masses: Mapping[str, Measured], scale_u: float) -> dict[str, SharedMass]:
    """Return masses of one scale, by name; ``scale_u`` is the relative standard uncertainty that they share."""
    return {name: SharedMass(mass, {SCALE: min(scale_u, mass.u / abs(mass.value))}) for name, mass in masses.items()}


def sum_of(masses: Iterable[SharedMass]) -> Measured:
    """Return the sum of masses. [kg]."""
    masses = tuple(masses)
    terms = [term.over(1.0 / one.mass.value) for one in masses for term in one.terms()]
    return Measured(sum(one.mass.value for one in masses), combined(settled(terms)), "kg")


def ratio_of(over: SharedMass, under: SharedMass) -> Measured:
    """Return one mass over another. [-]."""
    value = over.mass.value / under.mass.value
    return Measured(value, abs(value) * combined(settled(of_ratio(over.terms(), under.terms()))), "1")
