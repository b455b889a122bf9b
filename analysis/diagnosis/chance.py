r"""How surely departures are more than chance: each one in standard uncertainties, all of them counted.

.. math:: \ln B = \tfrac12 z^2 \frac{s^2}{1 + s^2} - \tfrac12 \ln(1 + s^2), \qquad
          P = \frac{p \sum B}{1 + p \sum B}

with s how far what did move is expected to have moved and p its chance beforehand. Looking at many numbers is in the
sum.
"""

import math
from collections.abc import Iterable

MOVED_BY = 3.0  # standard uncertainties: spread of departures of what did move; judgement
CHANCE = 0.02  # that one number did move, beforehand; judgement
SURE = 0.8  # probability that something moved, from which it is a caution
MOST = 500.0  # of a logarithm, before it overflows


def evidence_of(z: float) -> float:
    """Return ln B of a departure of ``z`` standard uncertainties."""
    wide = 1.0 + MOVED_BY**2
    return 0.5 * z**2 * (MOVED_BY**2 / wide) - 0.5 * math.log(wide)


def moved_probability(departures: Iterable[float]) -> float:
    """Return the probability that one of these departures, in standard uncertainties, is more than chance."""
    odds = CHANCE * sum(math.exp(min(evidence_of(z), MOST)) for z in departures)
    return odds / (1.0 + odds)
