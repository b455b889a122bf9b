"""Findings about one discharge, CdA, exponent, fit; and about gas that is held."""

from standbook.analysis.findings.causes import DEPARTURE
from standbook.analysis.findings.consequences import EXPONENT, READINGS
from standbook.daq.findings.finding import FindingKind

CDA_NOT_AS_PLANNED = FindingKind(
    code="cda-not-as-planned",
    severity="caution",
    follows_from=frozenset({READINGS}),
    text=(
        "{channel}: CdA was {cda_mm2:.2f} mm2 (standard uncertainty {cda_u_mm2:.2f} mm2), {side} the "
        "{plan_mm2:.2f} mm2 of the plan ({cda_basis}) by {apart:.1f} combined standard uncertainties: the flow is"
        " {effect}. Look for a valve not fully open, debris or a bypass; if the hardware is as it should be, use "
        "the measured value in the next plan."
    ),
)
EXPONENT_NOT_AS_ASSUMED = FindingKind(
    code="exponent-not-as-assumed",
    severity="caution",
    follows_from=frozenset({READINGS, EXPONENT}),
    group=DEPARTURE,
    text=(
        "{tank_name}: the ullage exponent was {chord:.3f} (standard uncertainty {chord_u:.3f}), {side} the "
        "{plan:g} that the plan has ({exponent_basis}), by {apart:.1f} combined standard uncertainties: the tank "
        "pressure {effect}. Use the measured value, with its basis, in the next plan for this gas, fill and "
        "temperature."
    ),
)
FLOW_RAN_TO_KNEE = FindingKind(
    code="flow-ran-to-knee",
    severity="note",
    text=(
        "The flow ran until gas broke through at {time:.2f} s: CdA reads about {run_out_bias_percent:.1f} % high,"
        " which is in its uncertainty; close the valve earlier next time."
    ),
)
PRESSURE_SPIKES = FindingKind(
    code="pressure-spikes",
    severity="note",
    text=("{removed} spikes were left out of {samples} pressure samples during the flow; look for a loose wire."),
)
JOINT_FIT_FAILED = FindingKind(
    code="joint-fit-failed",
    severity="serious",
    text=("The joint fit {word}: do not use its values; CdA from the weighed liquid stands by itself."),
)
JOINT_FIT_AT_BOUND = FindingKind(
    code="joint-fit-at-bound",
    severity="caution",
    text=("A value of the joint fit lies at the end of its range: opening instant, mass or channel is wrong."),
)
START_PRESSURE_UNSURE = FindingKind(
    code="start-pressure-unsure",
    severity="caution",
    text=(
        "The pressure before the opening tells the start pressure no better than to {unresting_percent:.0f} %: "
        "the tank was not at rest or the opening is misread, and CdA and exponent with it; hold the tank still "
        "for three seconds before opening."
    ),
)
CDA_DISAGREE = FindingKind(
    code="cda-disagree",
    severity="caution",
    text=(
        "CdA of the joint fit, {joint_cda_mm2:.3f} mm2 (u = {joint_cda_u_mm2:.3f} mm2), differs from that of the "
        "weighed liquid, {weighed_cda_mm2:.3f} mm2 (u = {weighed_cda_u_mm2:.3f} mm2), by {departure:.1f} "
        "uncertainties: mass, ullage volume, opening or the gas law is wrong."
    ),
)
EXPONENT_ABOVE_ISENTROPIC = FindingKind(
    code="exponent-above-isentropic",
    severity="caution",
    text=(
        "{tank_name}: the mean exponent, start to end, of {chord:.3f} (standard uncertainty {chord_u:.3f}) is above "
        "the {highest:.3f} of {pressurant} that keeps its heat between the same pressures: the gas loses heat or "
        "leaks, or ullage, mass or the pressure's zero is off; weigh the fill and read the sensor at ambient."
    ),
)
EXPONENT_START = FindingKind(
    code="exponent-start",
    severity="caution",
    text=(
        "The exponent starts at {start:.3f} (u = {start_u:.3f}), {side} the isentropic {isentropic_exponent:.3f} by "
        "more than {tolerance:.2f}: check ullage and mass notes, zero, gauge or absolute, gas still warm, {suspect}."
    ),
)
CHORD_ABOVE_ISENTROPIC = EXPONENT_ABOVE_ISENTROPIC.worded(
    "The mean exponent, start to end, of {chord:.3f} (u = {chord_u:.3f}) is above the isentropic "
    "{isentropic_exponent:.3f}: the gas loses heat or leaks; usual over a cold liquid, not over water."
)
EXPONENT_BELOW_ONE = FindingKind(
    code="exponent-below-one",
    severity="caution",
    text=(
        "The mean exponent, start to end, of {chord:.3f} (u = {chord_u:.3f}) is below 1: gas is added or heated; "
        "check the supply valve."
    ),
)
EXPONENT_DRIFT = FindingKind(
    code="exponent-drift",
    severity="note",
    text=(
        "The exponent drifts by c = {drift:.3f} (u = {drift_u:.3f}), outside {lowest} to {highest} of nitrogen over "
        "water: look at the valve's travel and at the gas temperature."
    ),
)
EXPONENT_MISFIT = FindingKind(
    code="exponent-misfit",
    severity="note",
    text=(
        "Beyond noise {misfit_percent:.2f} % of the pressure is not explained by start and drift of the exponent "
        "(usual: about {usual_percent:.2f} %): a slow valve, a clipped sensor or one that lags."
    ),
)
HOLD_LEAKS = FindingKind(
    code="hold-leaks",
    severity="serious",
    text="{channel}: {sentence}. Vent before anybody goes near; find the place at low pressure, with soap.",
)
HOLD_NOT_SHOWN = FindingKind(
    code="hold-not-shown",
    severity="serious",
    text="{channel}: no hold is shown: {why}.",
)
HOLD_UNDECIDED = FindingKind(
    code="hold-undecided",
    severity="caution",
    text="{channel}: {sentence}.",
)
