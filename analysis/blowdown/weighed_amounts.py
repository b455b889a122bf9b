"""Several amounts of one cold flow weighed into one, with the record and the flow that the later steps take.

SI. Each amount gives a flow coefficient of its own; they are weighed by their whole covariance and held against each
other pair by pair. Where two contradict each other nothing is averaged: what cannot be decided widens the uncertainty.
"""

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.blowdown.record import (
    AveragedDischarge,
    DischargeRecord,
    NoteUncertainties,
    SensorUncertainties,
)
from standbook.analysis.blowdown.shifted_flows import cda_by_amounts, changes
from standbook.analysis.results.quantities import Measured
from standbook.daq.arrays import Array

DISAGREE = 3.0  # standard uncertainties of a difference; of 370 pairs that agree one lies beyond


@dataclass(frozen=True, slots=True)
class Pair:
    """Two amounts held against each other."""

    first: int
    second: int
    difference: float  # of their CdA, first less second [m²]
    apart: float  # in standard uncertainties of that difference


@dataclass(frozen=True, slots=True, kw_only=True)
class Balance:
    """Several flow coefficients of one flow, weighed."""

    weights: tuple[float, ...]  # sum 1; zero for one that was left out
    chi_square: float  # of all of them about their best mean
    birge_ratio: float | None  # root of chi-square over its degrees of freedom; None for one amount
    pairs: tuple[Pair, ...]  # that disagree
    left_out: int | None  # the one that all others contradict
    disagreement: float  # half of the largest difference where nothing tells who is right, a share of u [m²]

    @property
    def agree(self) -> bool:
        """Tell whether no two of them contradict each other."""
        return not self.pairs


@dataclass(frozen=True, slots=True, eq=False)
class WeighedAmounts:
    """What all amounts together say of one flow."""

    record: DischargeRecord  # with the amounts and their weights
    flow: AveragedDischarge  # the same, averaged
    balance: Balance
    cda_by: Mapping[str, Measured]  # by each amount [m²]
    left: Measured  # from opening to end [kg]


def weighed_amounts(
    record: DischargeRecord,
    flow: AveragedDischarge,
    sensor: SensorUncertainties,
    notes: NoteUncertainties,
    amounts: Sequence[Amount],
) -> WeighedAmounts:
    """Weigh the amounts of one flow, those most trusted first.

    Raises
    ------
    DataError
        Nothing drives the liquid, or the flow is too short.
    """
    flow, values, moved = cda_by_amounts(flow, amounts, sensor, notes)
    found = balance(values, moved)
    each = np.sqrt(sum(change**2 for change in moved.values()))
    used = tuple(amounts)
    if found.disagreement:
        first = used[0]
        half = found.disagreement / float(values[0]) * first.mass
        used = (replace(first, terms={**first.terms, "disagreement of amounts": half}), *used[1:])
    flow = replace(flow, amounts=used, weights=found.weights)
    left = flow.left()
    by_source = changes(lambda of: np.array([of.left()]), flow, sensor, notes)
    u = math.sqrt(sum(float(change[0]) ** 2 for change in by_source.values()))
    return WeighedAmounts(
        replace(record, amounts=used, weights=found.weights, expelled_mass=left),
        replace(flow, expelled_mass=left),
        found,
        {a.name: Measured(float(v), float(w), "m2") for a, v, w in zip(used, values, each, strict=True)},
        Measured(left, u, "kg"),
    )


def balance(values: Array, changes: Mapping[str, Array], *, trust: Sequence[int] | None = None) -> Balance:
    r"""Weigh flow coefficients that different amounts gave.

    Parameters
    ----------
    values : (K,) array
        CdA by each amount. [m²]
    changes : mapping of source to (K,) array
        What one standard uncertainty of a source changes each of them by. [m²]
    trust : sequence of int, optional
        Which to keep first where two contradict each other and no third decides; their order when left out.

    Notes
    -----
    Least variance with covariance :math:`C = \sum_s d_s d_s^T`, weights :math:`C^{-1} 1 / 1^T C^{-1} 1`, none below
    zero; :math:`\chi^2 = r^T C^{-1} r` about that mean, Birge ratio :math:`\sqrt{\chi^2 / (K - 1)}`. A pair further
    apart than ``DISAGREE`` of its own uncertainty, shared errors taken off, is never averaged: where one amount is
    in all such pairs and two or more others agree, it is left out; else the most trusted one stands alone, with half
    of the largest difference in its uncertainty. Source: [Birge1932] for
    the ratio, from memory.
    """
    count = values.size
    if count == 1:
        return Balance(weights=(1.0,), chi_square=0.0, birge_ratio=None, pairs=(), left_out=None, disagreement=0.0)
    moves = np.array(list(changes.values())) if changes else np.zeros((1, count))
    covariance = moves.T @ moves
    # A trace of freedom for each: amounts that share every error would have no inverse.
    covariance = covariance + np.diag(np.full(count, (1e-6 * float(np.max(np.abs(values)))) ** 2))
    pairs = _contradictions(values, covariance)
    inverse = np.linalg.inv(covariance)
    best = float(np.sum(inverse @ values) / np.sum(inverse))
    chi_square = float((values - best) @ inverse @ (values - best))
    birge = math.sqrt(chi_square / (count - 1))
    if not pairs:
        return Balance(
            weights=_weights(covariance, range(count), count),
            chi_square=chi_square,
            birge_ratio=birge,
            pairs=(),
            left_out=None,
            disagreement=0.0,
        )
    outlier = next((k for k in range(count) if count > 2 and all(k in (p.first, p.second) for p in pairs)), None)
    # Two that contradict each other while a third agrees with both: which of the two is wrong stays open.
    if outlier is not None and sum(outlier in (p.first, p.second) for p in pairs) == count - 1:
        kept = [k for k in range(count) if k != outlier]
        return Balance(
            weights=_weights(covariance, kept, count),
            chi_square=chi_square,
            birge_ratio=birge,
            pairs=pairs,
            left_out=outlier,
            disagreement=0.0,
        )
    first = next(iter(trust if trust is not None else range(count)))
    largest = max(abs(float(values[first] - value)) for value in values)
    alone = tuple(float(k == first) for k in range(count))
    return Balance(
        weights=alone, chi_square=chi_square, birge_ratio=birge, pairs=pairs, left_out=None, disagreement=0.5 * largest
    )


def _contradictions(values: Array, covariance: Array) -> tuple[Pair, ...]:
    found = []
    for i, j in itertools.combinations(range(values.size), 2):
        difference = float(values[i] - values[j])
        u = math.sqrt(float(covariance[i, i] + covariance[j, j] - 2.0 * covariance[i, j]))
        if abs(difference) > DISAGREE * u:
            found.append(Pair(i, j, difference, abs(difference) / u))
    return tuple(found)


def _weights(covariance: Array, kept: Sequence[int], count: int) -> tuple[float, ...]:
    """Return weights of least variance, none below zero: a negative one bets on an error being shared exactly."""
    use = list(kept)
    while True:
        raw = np.linalg.solve(covariance[np.ix_(use, use)], np.ones(len(use)))
        if len(use) == 1 or (raw > 0.0).all():
            break
        use.pop(int(np.argmin(raw)))
    weights = np.zeros(count)
    weights[use] = raw / raw.sum()
    return tuple(float(w) for w in weights)
