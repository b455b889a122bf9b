"""What a pressure transducer reads while all is vented: absolute, gauge, or sealed gauge. Absolute pressures, SI."""

import math
from typing import Literal

from standbook.analysis.stand_checks.check import Check, Outcome, surely_seen, told

EVIDENCE = math.log(1e4)  # one reading must be so many times likelier than the other
NEITHER = 5.0  # u: further from both, the zero is off
SEALED_AT = 101_325.0  # Pa, ambient when most sealed gauges were sealed; common practice, no source
SEALED_SEEN = 3.5  # u, that the site's pressure must be away from the sealed one


def absolute_or_gauge(
    reading: float, barometer: float, *, zero_u: float, barometer_u: float, declared: Literal["absolute", "gauge"]
) -> Check:
    r"""Tell from a vented reading whether a transducer is absolute or gauge.

    Parameters
    ----------
    reading, barometer : float
        Of the transducer, as it is calibrated; of the air beside it, absolute. [Pa]
    zero_u, barometer_u : float
        Their standard uncertainties. [Pa]
    declared : str
        What the stand file says.

    Notes
    -----
    The likelihoods of x at 0 and at P, u0 each, are as :math:`10^4` where x lies :math:`u_0^2 \ln 10^4 / P` from their
    middle. Derived.
    """
    u = math.hypot(zero_u, barometer_u)
    margin = u**2 / barometer * EVIDENCE
    expected = barometer if declared == "absolute" else 0.0
    found: str | None = None
    if reading < barometer / 2.0 - margin:
        found = "gauge"
    elif reading > barometer / 2.0 + margin:
        found = "absolute"
    outcome: Outcome = "agrees" if found == declared else "differs"
    if not math.isfinite(reading) or found is None:
        outcome = "cannot tell"
        needed = barometer / math.sqrt(8.0 * EVIDENCE)  # then a reading a quarter of the way off still tells
        words = f"{told(reading, 'Pa')} fits both; a zero known to {told(needed, 'Pa')} would decide, or its label"
    elif min(abs(reading), abs(reading - barometer)) > NEITHER * u:
        outcome = "differs"
        words = f"{told(reading, 'Pa')} is neither nothing nor the barometer: its zero is off, or it is not vented"
    else:
        words = f"{told(reading, 'Pa')} vented is a {found} reading, and the stand file says {declared}"
    return Check(
        what="absolute or gauge",
        expected=expected,
        found=reading,
        u=u,
        unit="Pa",
        outcome=outcome,
        surely_seen=surely_seen(u),
        sentence=f"absolute or gauge {outcome}: {words}; a shift is surely seen from {told(surely_seen(u), 'Pa')} on",
    )


def sealed_gauge(reading: float, barometer: float, *, zero_u: float, barometer_u: float) -> Check:
    """Tell whether a gauge transducer is sealed: it then reads what the site's air is short of a standard atmosphere.

    Parameters
    ----------
    reading, barometer : float
        Vented, of a gauge transducer; of the air, absolute. [Pa]
    zero_u, barometer_u : float
        [Pa]

    Notes
    -----
    At 35 mbar below it takes a zero known to 6 mbar, which no transducer of 60 bar has: read the label.
    """
    u = math.hypot(zero_u, barometer_u)
    short = barometer - SEALED_AT
    tells = abs(short) > (SEALED_SEEN + 1.5) * u
    outcome: Outcome = "cannot tell"
    words = f"the site is {told(abs(short), 'Pa')} off a standard atmosphere, u {told(u, 'Pa')}: read the label"
    if tells and abs(reading) < abs(reading - short):
        outcome, words = "agrees", "it is vented"
    elif tells:
        outcome, words = "differs", "it is sealed: its readings move with the barometer"
    return Check(
        what="vented gauge",
        expected=0.0,
        found=reading,
        u=u,
        unit="Pa",
        outcome=outcome,
        surely_seen=surely_seen(u),
        sentence=f"vented gauge {outcome}: {words}; a shift is surely seen from {told(surely_seen(u), 'Pa')} on",
    )
