"""Terms of an uncertainty budget, combined: what moves together adds with its sign before anything is squared.

Plain numbers, in the unit of the result. A term that was never measured has one side, and is added whole there.
"""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from scipy.special import stdtrit

from standbook.analysis.results.results import Allowance, BudgetTerm, ImpulseResult

COVERAGE_FACTOR = 2.0
FEW_DOF = 30.0  # effective degrees of freedom, from which k = 2 covers 94.5 % and serves
TWO_SIDED = 0.975  # quantile of an interval that covers 95 %


@dataclass(frozen=True, slots=True)
class Term:
    """One source of doubt about a result. [unit of the result]."""

    source: str
    effect: float = 0.0  # change of the result, with its sign, when the source is one standard uncertainty higher
    dof: float | None = None  # degrees of freedom behind it; none: as many as one likes
    shared: str | None = None  # what else moves with it, such as a supply; none: nothing does
    most: float = 0.0  # by which the true value may be higher, where the source was never measured
    removed_by: str = ""  # the check that would remove that

    def over(self, value: float) -> "Term":
        """Return the term as a share of a value."""
        return replace(self, effect=self.effect / value, most=self.most / value)


def of_ratio(above: Iterable[Term], below: Iterable[Term]) -> Iterator[Term]:
    """Give the terms of a quotient, relative, from the relative terms of what stands above and below the line."""
    yield from above
    for term in below:
        yield replace(term, effect=-term.effect)


def settled(terms: Iterable[Term]) -> tuple[BudgetTerm, ...]:
    """Add what moves together, with its sign; leave out zeros; put the largest first."""
    together: dict[str, Term] = {}
    alone: list[Term] = []
    for term in terms:
        if term.shared is None:
            alone.append(term)
        elif term.shared in together:
            first = together[term.shared]
            together[term.shared] = replace(first, effect=first.effect + term.effect)
        else:
            together[term.shared] = term
    found = (BudgetTerm(t.source, abs(t.effect), t.dof, t.shared) for t in (*alone, *together.values()))
    return tuple(sorted((t for t in found if t.u > 0.0), key=lambda t: -t.u))


def one_sided(terms: Iterable[Term]) -> tuple[Allowance, ...]:
    """Return what may only make the true value higher."""
    return tuple(Allowance(t.source, t.most, t.removed_by) for t in terms if t.most > 0.0)


def combined(terms: Iterable[BudgetTerm]) -> float:
    """Combine independent terms. Source: [GUM] 5.1.2."""
    return math.sqrt(sum(term.u**2 for term in terms))


def without(whole: float, part: float) -> float:
    """Return what is left of a standard uncertainty without one part of it."""
    return math.sqrt(max(whole**2 - part**2, 0.0))


def effective_dof(terms: Iterable[BudgetTerm]) -> float:
    r"""Return the effective degrees of freedom of independent terms; infinite where each is known well.

    Notes
    -----
    Welch and Satterthwaite: :math:`\nu = u^4 / \sum u_i^4 / \nu_i`. Source: [GUM] G.4.1.
    """
    terms = tuple(terms)
    spread = sum(term.u**4 / term.dof for term in terms if term.dof is not None)
    return combined(terms) ** 4 / spread if spread > 0.0 else math.inf


def impulse_result(value: float, terms: Iterable[Term], *, lower_bound_only: bool, unseen: float) -> ImpulseResult:
    """Put value and terms together."""
    terms = tuple(terms)
    budget = settled(terms)
    u, dof = combined(budget), effective_dof(budget)
    factor = COVERAGE_FACTOR if dof >= FEW_DOF else float(stdtrit(dof, TWO_SIDED))
    return ImpulseResult(
        value=value,
        u=u,
        unit="N*s",
        expanded=factor * u,
        coverage_factor=factor,
        lower_bound_only=lower_bound_only,
        unseen=unseen,
        budget=budget,
        allowances=one_sided(terms),
        dof=dof if math.isfinite(dof) else None,
    )


def judged_dof(doubt: float) -> float:
    r"""Return the degrees of freedom of an uncertainty that is itself only judged, ``doubt`` of it being its own u.

    Notes
    -----
    :math:`\nu = \tfrac12 (\Delta u / u)^{-2}`. Source: [GUM] G.3.
    """
    return 0.5 / doubt**2
