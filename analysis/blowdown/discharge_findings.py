"""What must be said of one discharge's fits: an exponent that warm, settled gas does not have, a joint fit that fails.

Exponents without unit, CdA in m².
"""

from standbook.analysis.blowdown.direct_cda import DirectCda
from standbook.analysis.blowdown.exponent import Exponent
from standbook.analysis.blowdown.joint_fit import UNRESTING, JointFit
from standbook.analysis.findings.discharge import (
    CDA_DISAGREE,
    CHORD_ABOVE_ISENTROPIC,
    EXPONENT_BELOW_ONE,
    EXPONENT_DRIFT,
    EXPONENT_MISFIT,
    EXPONENT_START,
    JOINT_FIT_AT_BOUND,
    JOINT_FIT_FAILED,
    START_PRESSURE_UNSURE,
)
from standbook.daq.findings.finding import Finding

START_TOLERANCE = 0.08  # |n0 - isentropic| of settled warm gas; beyond it a note, a zero or a leak is to blame
START_SURELY = 2.5  # standard uncertainties of the start that it must be off by as well
HEALTHY_DRIFT = (-0.64, -0.03)  # c of nitrogen or air that warms up during 2 to 60 s
NOTED_MISFIT, BAD_MISFIT, BAD_SHARE = 2.0, 8.0, 0.006  # times the usual one; of the pressure
# What no gas in a tank can do, with three standard uncertainties: start above the isentropic or below the isothermal.
START_HIGH, START_LOW, START_SIGMA, CHORD_HIGH = 0.12, 0.90, 3.0, 0.03
CHORD_SURELY = 2.0  # standard uncertainties by which a mean exponent lies below the isothermal one
JOINT_APART = 4.0  # uncertainties between joint fit and weighed liquid, from which the gas law alone is no excuse


def exponent_findings(exponent: Exponent, *, isentropic_exponent: float | None, channel: str | None) -> list[Finding]:
    """Say what is unusual about an exponent of warm, settled gas.

    ``isentropic_exponent`` is that of the gas at the start, ``None`` where it is not known.
    """
    chord, drift = exponent.chord, exponent.drift
    said = [] if isentropic_exponent is None else _against_isentropic(exponent, isentropic_exponent, channel)
    if chord.value < 1.0:
        surely = chord.value + CHORD_SURELY * chord.u < 1.0
        said.append(
            EXPONENT_BELOW_ONE.at(channel, severity="caution" if surely else "note", chord=chord.value, chord_u=chord.u)
        )
    lowest, highest = HEALTHY_DRIFT
    if not lowest <= drift.value <= highest:
        said.append(EXPONENT_DRIFT.at(channel, drift=drift.value, drift_u=drift.u, lowest=lowest, highest=highest))
    if not follows_law(exponent):
        said.append(
            EXPONENT_MISFIT.at(
                channel,
                severity="caution" if exponent.misfit > max(BAD_MISFIT * exponent.usual_misfit, BAD_SHARE) else "note",
                misfit_percent=100 * exponent.misfit,
                usual_percent=100 * exponent.usual_misfit,
            )
        )
    return said


def _against_isentropic(exponent: Exponent, isentropic: float, channel: str | None) -> list[Finding]:
    """Say where start or chord lie where gas that only takes up heat cannot be."""
    start, chord = exponent.start, exponent.chord
    said: list[Finding] = []
    tolerance = max(START_TOLERANCE, START_SURELY * start.u)
    if abs(start.value - isentropic) > tolerance:
        above = start.value > isentropic
        impossible = (
            start.value > isentropic + START_HIGH + START_SIGMA * start.u
            or start.value < START_LOW - START_SIGMA * start.u
        )
        said.append(
            EXPONENT_START.at(
                channel,
                severity="caution" if impossible else "note",
                start=start.value,
                start_u=start.u,
                side="above" if above else "below",
                isentropic_exponent=isentropic,
                tolerance=tolerance,
                suspect="a leak from the ullage" if above else "a supply leaking in",
            )
        )
    if chord.value - 2.0 * chord.u > isentropic:
        said.append(
            CHORD_ABOVE_ISENTROPIC.at(
                channel,
                severity="caution" if chord.value - 2.0 * chord.u > isentropic + CHORD_HIGH else "note",
                chord=chord.value,
                chord_u=chord.u,
                isentropic_exponent=isentropic,
            )
        )
    return said


def follows_law(exponent: Exponent) -> bool:
    """Tell whether the gas followed the law of start and drift as well as gas usually does."""
    return exponent.misfit <= NOTED_MISFIT * exponent.usual_misfit


def joint_findings(joint: JointFit, direct: DirectCda, channel: str | None, *, by_law: bool = True) -> list[Finding]:
    """Say which of the facts that make a joint fit valid do not hold.

    ``by_law`` tells that the gas followed the law that the joint fit rests on; else the fit can doubt nothing.
    """
    facts, said = joint.facts, list[Finding]()
    if not facts["converged"] or not facts["covariance usable"]:
        word = "has no usable covariance" if facts["converged"] else "did not converge"
        said.append(JOINT_FIT_FAILED.at(channel, word=word))
    if not facts["inside its bounds"]:
        said.append(JOINT_FIT_AT_BOUND.at(channel))
    if not facts["start pressure known"]:
        said.append(START_PRESSURE_UNSURE.at(channel, unresting_percent=100 * UNRESTING))
    if not facts["agrees with the direct CdA"]:
        said.append(
            CDA_DISAGREE.at(
                channel,
                severity="caution" if by_law and abs(joint.departure) > JOINT_APART else "note",
                joint_cda_mm2=1e6 * joint.cda.value,
                joint_cda_u_mm2=1e6 * joint.cda.u,
                weighed_cda_mm2=1e6 * direct.cda,
                weighed_cda_u_mm2=1e6 * direct.u,
                departure=abs(joint.departure),
            )
        )
    return said
