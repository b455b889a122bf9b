"""A channel against a gauge, a resistor, its own supply, and a plumb line. SI."""

import math
from dataclasses import replace

import numpy as np

from standbook.analysis.stand_checks.check import ON_A_SHEET, ONE_CHECK, Check, Outcome, judged, surely_seen
from standbook.daq.arrays import Array

ONE_OF_MANY = 4.0  # u: one sensor against the middle of the others
TYPED_NEAR = 0.25  # of a lowering as typed: so near to it must be what the supply's channel saw; judgement
SHUNT_U = math.sqrt(2.0) * 2e-4  # of one step over another, relative: 0.02 % each; simulated converters


def two_pressures(reading: Array, gauge: Array, *, u: Array, zero_u: float = 0.0) -> tuple[Check, Check]:
    """Compare a transducer with a gauge at two pressures: its span, relative, and its zero.

    Parameters
    ----------
    reading, gauge : (2,) array
        Low, then high; one reference both, absolute or gauge. [Pa]
    u : (2,) array
        Of the differences, independent of each other. [Pa]
    zero_u : float
        Of both differences alike: it is none of the span. [Pa]
    """
    apart = reading - gauge
    width = float(gauge[1] - gauge[0])
    slope = float(apart[1] - apart[0]) / width
    slope_u = math.hypot(float(u[0]), float(u[1])) / abs(width)
    share = float(gauge[0]) / width
    intercept_u = math.hypot((1.0 + share) * float(u[0]), share * float(u[1]), zero_u)
    zero = float(apart[0]) - slope * float(gauge[0])
    return (
        judged("span by two pressures", expected=0.0, found=slope, u=slope_u, unit="1"),
        judged("zero by two pressures", expected=0.0, found=zero, u=intercept_u, unit="Pa"),
    )


def shunt_signal(bridge: float, shunt: float) -> float:
    r"""Return what a resistor across one arm of a balanced bridge makes it read, both in ohm. [V/V].

    :math:`R / (4 R_s + 2 R)`. Derived.
    """
    return bridge / (4.0 * shunt + 2.0 * bridge)


def shunt_step(step: float, stored: float, *, u: float = SHUNT_U) -> Check:
    """Compare the step of a shunt resistor with the stored one, relative; u of their ratio.

    It sees bridge, cable, gain and excitation, and never the path of the load.
    """
    found = step / stored - 1.0 if stored else math.nan
    return judged("shunt step", expected=0.0, found=found, u=u, unit="1")


def supply_sag(before: Array, after: Array, *, u: float, sag: float) -> Check:
    """Tell whether ratiometric readings stay while the sensors' supply is lowered.

    Parameters
    ----------
    before, after : (N,) array
        Readings of sensors on one supply, at rest but not near zero.
    u : float
        Of one ratio of both, relative.
    sag : float
        By which the supply was lowered, a share.

    Notes
    -----
    A supply that is read wrongly moves all by one factor: their mean, of n sensors known to u over root n.
    """
    change = after / before - 1.0
    one = judged(
        "supply sag",
        expected=0.0,
        found=float(np.mean(change)),
        u=u / math.sqrt(change.size),
        unit="1",
        limit=ONE_CHECK,
        matters=sag,
    )
    alone = [str(k + 1) for k in np.flatnonzero(np.abs(change - np.median(change)) > ONE_OF_MANY * u)]
    if one.outcome == "agrees" and alone and change.size > 2:
        words = f"supply sag differs: only the sensor at place {', '.join(alone)} moved; surely seen from"
        return replace(one, outcome="differs", sentence=f"{words} {100 * one.surely_seen:.2g} % on")
    return one


def sag_as_seen(check: Check, *, typed: float, seen: Array, u: float) -> Check:
    """Hold a check of the supply against what the supply's own channels saw: an agreement needs that it moved.

    Parameters
    ----------
    check : Check
        By :func:`supply_sag`; readings that moved differ, whatever the supply's channels say.
    typed : float
        By which somebody says that the supply was lowered, a share.
    seen : (N,) array
        The same by each channel that measures a supply, relative; without any it cannot be told.
    u : float
        Of each of them.
    """
    if check.outcome == "differs":
        return check
    moved = np.abs(seen) > ON_A_SHEET * u
    if not seen.size:
        words = "no channel measures the supply"
    elif not moved.all():
        words = "the supply did not move"
    elif (off := np.abs(seen - typed)).max() > TYPED_NEAR * typed:
        words = f"{100 * typed:.2g} % was typed, the supply itself fell by {100 * seen[off.argmax()]:.2g} %"
    else:
        return check
    sentence = f"supply sag cannot tell: {words}; surely seen from {100 * check.surely_seen:.2g} % on"
    return replace(check, outcome="cannot tell", sentence=sentence)


def alignment(angle: float, *, u: float, allowed: float) -> Check:
    r"""Tell whether an angle between thrust and cell hides less than is allowed of every force.

    Parameters
    ----------
    angle, u : float
        By inclinometer or plumb line, and its u. [rad]
    allowed : float
        Share that may be hidden.

    Notes
    -----
    :math:`1 - \cos\theta`: it only ever lowers a reading. u of the share is :math:`\sin\theta\, u` with
    :math:`u^2 / 2` beside it, which remains where the angle is none.
    """
    hidden = 1.0 - math.cos(angle)
    share_u = math.hypot(math.sin(angle) * u, u**2 / math.sqrt(2.0))
    reach = ON_A_SHEET * share_u
    outcome: Outcome = "cannot tell"
    if not math.isfinite(reach):
        words = "the angle was not read"
    elif hidden + reach <= allowed:
        outcome, words = "agrees", f"{100 * hidden:.3f} % hidden, {100 * allowed:.3g} % allowed"
    elif hidden - reach > allowed:
        outcome, words = "differs", f"{100 * hidden:.3f} % hidden, {100 * allowed:.3g} % allowed"
    else:
        words = f"{100 * hidden:.3f} +/- {100 * share_u:.3f} % hidden; a better angle or a smaller one would decide"
    return Check(
        what="alignment",
        expected=0.0,
        found=hidden,
        u=share_u,
        unit="1",
        outcome=outcome,
        surely_seen=allowed + surely_seen(share_u),
        sentence=f"alignment {outcome}: {words}; surely seen from {100 * (allowed + surely_seen(share_u)):.2g} % on",
    )
