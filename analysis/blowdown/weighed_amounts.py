"""Several amounts of one cold flow weighed into one, with the record and the flow that the later steps take.

SI. Where amounts contradict each other nothing is averaged: `analysis.blowdown.amounts` decides, and what it could
not decide widens the uncertainty.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.amounts import Amount, Balance, balance
from standbook.analysis.blowdown.record import (
    AveragedDischarge,
    DischargeRecord,
    NoteUncertainties,
    SensorUncertainties,
    changes,
)
from standbook.analysis.results.quantities import Measured


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
    flow = replace(flow, amounts=tuple(amounts), weights=_only(0, len(amounts)))
    # The head wants an expelled volume; any one amount is near enough for that.
    flow = replace(flow, expelled_mass=flow.left())
    values = flow.each_cda()
    moved = changes(lambda of: of.each_cda(), flow, sensor, notes)
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


def _only(which: int, count: int) -> tuple[float, ...]:
    return tuple(float(k == which) for k in range(count))
