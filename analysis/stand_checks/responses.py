"""What moves when something is done to the stand: the right way, and the right channel. SI."""

import math

from standbook.analysis.stand_checks.check import Check, Outcome, surely_seen, told

SIGN_SEEN = 5.0  # u: from here on a push has a sign
SIGN_SURE = 8.0  # u: such a push always tells
ROSE, STAYED = 0.5, 0.25  # of a step: what counts as a rise, and as none
STEP_SEEN = 3.0  # u of a rise that a quarter of the step must be


def sign(reading: float, *, u: float, unit: str = "N") -> Check:
    """Tell whether a push in the direction of thrust reads positive; its size is never taken without its sign.

    Parameters
    ----------
    reading : float
        Of the pushed channel, zero off; what must read positive.
    u : float
        Of the reading.
    unit : str
        Of both.
    """
    pushed = reading / u if u > 0.0 else math.nan
    outcome: Outcome = "cannot tell"
    words = f"a push of {told(SIGN_SURE * u, unit)} or more would decide"
    if pushed > SIGN_SEEN:
        outcome, words = "agrees", f"{told(reading, unit, sign=True)} under a push"
    elif pushed < -SIGN_SEEN:
        outcome, words = "differs", f"{told(reading, unit, sign=True)} under a push: reversed"
    return Check(
        what="sign",
        expected=abs(reading),
        found=reading,
        u=u,
        unit=unit,
        outcome=outcome,
        surely_seen=SIGN_SURE * u,
        sentence=f"sign {outcome}: {words}; surely seen from {told(SIGN_SURE * u, unit)} on",
    )


def swap(own: float, other: float, *, step: float, u: float) -> Check:
    """Tell whether pressurising one tank, the other open, moves its own transducer and not the other one.

    Parameters
    ----------
    own, other : float
        Rises of both. [Pa]
    step : float
        By which the tank was pressurised. [Pa]
    u : float
        Of a rise. [Pa]
    """
    outcome: Outcome = "cannot tell"
    least = STEP_SEEN / STAYED * u
    if not (step >= least and math.isfinite(own) and math.isfinite(other)):
        words = f"a step of {told(step, 'Pa')} is too small; {told(least, 'Pa')} would decide"
    elif own > ROSE * step and other < STAYED * step:
        outcome, words = "agrees", f"{told(own, 'Pa', sign=True)} of its own, {told(other, 'Pa', sign=True)} beside it"
    elif own < STAYED * step and other > ROSE * step:
        outcome, words = "differs", "only the other channel rose: the two are swapped"
    elif own > ROSE * step and other > ROSE * step:
        outcome, words = "differs", "both rose: the tanks are connected, or a check valve passes"
    elif own < STAYED * step and other < STAYED * step:
        outcome, words = "differs", "neither rose: not responding, or not pressurised"
    else:
        words = f"{told(own, 'Pa', sign=True)} and {told(other, 'Pa', sign=True)}; a larger step would decide"
    return Check(
        what="swap",
        expected=step,
        found=own,
        u=u,
        unit="Pa",
        outcome=outcome,
        surely_seen=max(least, surely_seen(u)),
        sentence=f"swap {outcome}: {words}; surely seen from a step of {told(max(least, surely_seen(u)), 'Pa')} on",
    )
