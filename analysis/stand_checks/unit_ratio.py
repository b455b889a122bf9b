"""A reading over its reference: right, or off by a factor that a mistaken unit or part makes. No units."""

import math
from typing import Literal

from scipy import constants

from standbook.analysis.stand_checks.check import ON_A_SHEET, ONE_CHECK, Check, Outcome, surely_seen

Dimension = Literal["force", "pressure", "electrical"]

LEAST_SHARE = 0.20  # of the span, that the reference must be
RIVAL = 4.0  # u: a second factor this near is named as well, or one in a thousand names would be wrong
DEAD = 0.02  # of the reference: such a channel shows nothing of it
COARSE = 0.10  # relative u from which on factors of the list run into each other
_FACTORS = {
    "force": {
        "N/lbf": constants.lbf,
        "N/kgf": constants.kgf,
        "lbf/kgf": constants.kgf / constants.lbf,
    },
    "pressure": {
        "psi/bar": constants.bar / constants.psi,
        "kPa/psi": constants.psi / 1e3,
        "bar/MPa": 10.0,
        "kPa/bar": 100.0,
        "atm or at": 1.0165,  # 1.01325 and 1.0197 are told apart only below 0.1 %
    },
    "electrical": {
        "5 V for 3.3 V": 5.0 / 3.3,
        "250 for 150 ohm": 250.0 / 150.0,
        "twice": 2.0,
    },
}
_WIDE = {"atm or at": 0.0035}  # half-width of a name that stands for two


def names_near(ratio: float, u: float, dimension: Dimension) -> tuple[str, ...]:
    """Return the factors of a dimension, or one over them, that a ratio lies near, both ways written out.

    Parameters
    ----------
    ratio, u : float
        Reading over reference; its u, relative.
    dimension : str
        What is measured; electrical mistakes are looked for besides.
    """
    found = []
    for family in dict.fromkeys((dimension, "electrical")):
        for name, factor in _FACTORS[family].items():
            for words, value in ((f"the {name} ratio", factor), (f"one over the {name} ratio", 1.0 / factor)):
                apart = abs(ratio / value - 1.0)
                found.append((max(0.0, apart - _WIDE.get(name, 0.0)), words))
    near = any(apart <= ONE_CHECK * u for apart, _ in found)
    return tuple(words for apart, words in sorted(found) if near and apart <= RIVAL * u)


def unit_ratio(reading: float, reference: float, *, u: float, span: float, dimension: Dimension) -> Check:
    """Compare a reading, its zero taken off, with a check weight or gauge.

    Parameters
    ----------
    reading, reference, span : float
        Any one unit.
    u : float
        Of the ratio, relative.
    dimension : str
        What is measured.

    Notes
    -----
    A fault of any other size lies near a name by accident in 13 % of cases at u 1 %: a name is a hint.
    """
    ratio = reading / reference if reference else math.nan
    outcome: Outcome = "cannot tell"
    if not math.isfinite(ratio) or abs(reference) < LEAST_SHARE * span:
        words = f"the reference is below {100 * LEAST_SHARE:.0f} % of the span; a larger one would decide"
    elif u > COARSE:
        words = f"u {100 * u:.0f} % is too coarse for a unit; one of {100 * COARSE:.0f} % would decide"
    elif abs(ratio - 1.0) <= ON_A_SHEET * u:
        outcome, words = "agrees", f"ratio {ratio:.4g}"
    else:
        near = names_near(ratio, u, dimension)
        outcome = "differs"
        cause = "does not respond" if abs(ratio) < DEAD else "cause unknown"
        words = f"ratio {ratio:.4g}, " + (f"near {' or '.join(near)}" if near else cause)
    seen = surely_seen(u)
    return Check(
        what="unit",
        expected=1.0,
        found=ratio,
        u=u,
        unit="1",
        outcome=outcome,
        surely_seen=seen,
        sentence=f"unit {outcome}: {words}; surely seen from {100 * seen:.2g} % on",
    )
