"""One check of a stand: what was expected, what was found, and an outcome out of three.

"Cannot tell" is an outcome: a check that could not have seen what matters does not agree. Beside every "agrees" stands
what would surely have been seen. SI.
"""

import math
from dataclasses import dataclass
from typing import Literal

Outcome = Literal["agrees", "differs", "cannot tell"]

ONE_CHECK = 3.0  # u: limit of a check that stands alone, by chance passed in 0.27 %
ON_A_SHEET = 3.5  # u: of one among twenty or so; a sheet then alarms in 0.9 % of days, not in 5.3 %
ONE_SIDED = 1.6448536269514722  # quantile of 95 %: so much beyond the limit a shift is seen 19 times in 20
IN_MBAR = 1e3  # Pa, below which a pressure is told in mbar
SHOWN = {"Pa": (1e-5, "bar"), "N": (1.0, "N"), "1": (1e2, "%"), "V/V": (1e3, "mV/V"), "K": (1.0, "K")}


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """What one check came to."""

    what: str
    expected: float
    found: float
    u: float  # standard uncertainty of found less expected
    unit: str  # of all four numbers, SI
    outcome: Outcome
    surely_seen: float  # least departure that this check sees 19 times in 20
    sentence: str


def told(value: float, unit: str, *, sign: bool = False) -> str:
    """Return a number in the unit that a crew reads it in."""
    factor, name = SHOWN[unit]
    if unit == "Pa" and abs(value) < IN_MBAR:
        return f"{round(value / 100.0, 1) + 0.0:{'+' if sign else ''}.1f} mbar"
    return f"{value * factor:{'+' if sign else ''}.3g} {name}"


def surely_seen(u: float, limit: float = ON_A_SHEET) -> float:
    """Return the least departure seen 19 times in 20: 5.1 u on a sheet, 4.6 u alone."""
    return (limit + ONE_SIDED) * u


def judged(
    what: str,
    *,
    expected: float,
    found: float,
    u: float,
    unit: str,
    limit: float = ON_A_SHEET,
    matters: float | None = None,
) -> Check:
    """Compare what was found with what was expected.

    Parameters
    ----------
    what : str
        Subject of the sentence.
    expected, found, u : float
        SI; u of their difference.
    unit : str
        One of ``SHOWN``.
    limit : float
        Of the difference, in u.
    matters : float, optional
        Least departure that must not go unseen; a check that sees only more cannot agree.
    """
    seen = surely_seen(u, limit)
    apart = found - expected
    outcome: Outcome = "agrees"
    if not (math.isfinite(apart) and math.isfinite(u)):
        outcome, words = "cannot tell", "it was not read; read it again"
    elif abs(apart) > limit * u:
        outcome, words = "differs", f"{told(apart, unit, sign=True)} off, where {told(limit * u, unit)} may be"
    elif matters is not None and seen > matters:
        needed = told(matters / (limit + ONE_SIDED), unit)
        outcome, words = "cannot tell", f"{told(matters, unit)} would matter; u {needed} would decide"
    else:
        words = f"{told(apart, unit, sign=True)} off"
    sentence = f"{what} {outcome}: {words}; surely seen from {told(seen, unit)} on"
    return Check(
        what=what, expected=expected, found=found, u=u, unit=unit, outcome=outcome, surely_seen=seen, sentence=sentence
    )
