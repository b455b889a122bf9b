r"""Hold two runs against each other: a difference is known better than either, where the same thing made both errors.

.. math:: u^2(B - A) = \sum_s u_{A,s}^2 + u_{B,s}^2 - 2 r_s u_{A,s} u_{B,s}

over the sources of both budgets; r is one while the same revision, serial and mounting made the error, else zero.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from scipy.special import ndtri

Word = Literal["changed", "same", "not told apart"]
LEVEL = 0.95
SAME_MARGIN = 0.01  # of the value: a difference shown to be below it counts as none


@dataclass(frozen=True, slots=True)
class Difference:
    """What the second run has more than the first, in the unit of both."""

    value: float
    u: float
    says: Word


def difference_u(first: Mapping[str, float], second: Mapping[str, float], common: frozenset[str]) -> float:
    """Return the standard uncertainty of a difference.

    Parameters
    ----------
    first, second : mapping of source to float
        Standard uncertainties of both values by source, with their signs where a source moves them in one direction.
    common : frozenset of str
        Sources whose error was the same in both.
    """
    total = 0.0
    for source in first.keys() | second.keys():
        one, other = first.get(source, 0.0), second.get(source, 0.0)
        total += (other - one) ** 2 if source in common else one**2 + other**2
    return math.sqrt(total)


def compared(first: float, second: float, u: float, *, margin: float = SAME_MARGIN) -> Difference:
    """Say whether two values differ, agree within a margin, or cannot be told apart.

    Parameters
    ----------
    first, second : float
        Values.
    u : float
        Standard uncertainty of their difference.
    margin : float
        Share of the first that counts as no difference.

    Notes
    -----
    *Same* is a claim of its own: the whole one-sided interval must lie inside the margin. What is neither shown to
    differ nor shown to be the same is not told apart.
    """
    value = second - first
    two_sided, one_sided = float(ndtri(0.5 + LEVEL / 2.0)), float(ndtri(LEVEL))
    if abs(value) + one_sided * u < margin * abs(first):
        return Difference(value, u, "same")
    return Difference(value, u, "changed" if abs(value) > two_sided * u else "not told apart")
