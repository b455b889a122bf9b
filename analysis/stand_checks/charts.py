"""A new zero or shunt step among the earlier ones. Any unit; known temperature taken off before."""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, stdtr

from standbook.analysis.stand_checks.check import ON_A_SHEET, ONE_CHECK, Check, judged
from standbook.daq.arrays import Array

OWN_LIMITS = 8  # earlier values, from which on their own scatter makes the limit


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Middle and limits of a chart."""

    middle: float
    u: float  # one third of the half-width
    by_chance: float  # that a good value falls outside
    own: bool  # they come from the chart's own scatter

    @property
    def low(self) -> float:
        """Lower limit."""
        return self.middle - ONE_CHECK * self.u

    @property
    def high(self) -> float:
        """Upper limit."""
        return self.middle + ONE_CHECK * self.u


def limits(earlier: Array, known_u: float) -> Limits:
    r"""Return the limits of a chart.

    Parameters
    ----------
    earlier : (N,) array
        Values so far, at least one.
    known_u : float
        What the calibration says of one value.

    Notes
    -----
    Below eight values :math:`3 \sigma \sqrt{1 + 1/n}` with the calibration's: limits from few would be left by chance
    in 12 %, or honest ones miss nearly all. From eight on 3 s, and how often chance alone passes that: Student's t of
    :math:`3 / \sqrt{1 + 1/n}` with n - 1 degrees of freedom. Derived.
    """
    n = earlier.size
    middle = float(np.mean(earlier))
    if n < OWN_LIMITS:
        u = known_u * math.sqrt(1.0 + 1.0 / n)
        return Limits(middle=middle, u=u, by_chance=2.0 * float(ndtr(-ONE_CHECK)), own=False)
    chance = 2.0 * float(stdtr(n - 1, -ONE_CHECK / math.sqrt(1.0 + 1.0 / n)))
    return Limits(middle=middle, u=float(np.std(earlier, ddof=1)), by_chance=chance, own=True)


def charted(what: str, value: float, earlier: Array, *, known_u: float, unit: str, on_a_sheet: bool = False) -> Check:
    """Hold a new value against the chart of the earlier ones.

    Parameters
    ----------
    what : str
        Zero or shunt step, of which channel.
    value : float
        The new one.
    earlier : (N,) array
        At least one; without any it cannot tell.
    known_u : float
        What the calibration says of one value.
    unit : str
        Of all of them.
    on_a_sheet : bool
        One among many: the calibration's u and 3.5 of it, as the chart's own limits would alarm too often together.
    """
    if earlier.size == 0:
        return judged(what, expected=math.nan, found=value, u=math.nan, unit=unit)
    if on_a_sheet:
        u = known_u * math.sqrt(1.0 + 1.0 / earlier.size)
        return judged(what, expected=float(np.mean(earlier)), found=value, u=u, unit=unit, limit=ON_A_SHEET)
    chart = limits(earlier, known_u)
    said = judged(what, expected=chart.middle, found=value, u=chart.u, unit=unit, limit=ONE_CHECK)
    words = f"{said.sentence}; 1 in {1.0 / chart.by_chance:.0f} good ones is outside by chance"
    return Check(
        what=what,
        expected=chart.middle,
        found=value,
        u=chart.u,
        unit=unit,
        outcome=said.outcome,
        surely_seen=said.surely_seen,
        sentence=words,
    )
