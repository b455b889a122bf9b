"""Findings of a prediction, and of a run against it."""

from standbook.analysis.findings.causes import DEPARTURE
from standbook.analysis.findings.consequences import READINGS
from standbook.daq.findings.finding import FindingKind

VESSEL = "pressure that a vessel was not made for"  # a plan with one is not locked
EARLIER_RUN = "against an earlier run"  # a plan's basis held against the run that it names

CDA_AS_RUN = FindingKind(
    code="cda-as-run",
    severity="note",
    group=EARLIER_RUN,
    text=("{typed}: they agree.{made_up}"),
)
CDA_BASIS_UNREAD = FindingKind(
    code="cda-basis-unread",
    severity="note",
    group=EARLIER_RUN,
    text=("{typed}; it could not be compared: {error}."),
)
OUTSIDE_BAND = FindingKind(
    code="outside-band",
    severity="caution",
    follows_from=frozenset({READINGS}),
    group=DEPARTURE,
    text=(
        "{sentence_name} lay inside {band} for {share_in_band_percent:.0f} % of the {part}; at worst, at "
        "T{time:+.1f} s, it was {worst_departure:.2f} times as far from the prediction as the band's edge. One of"
        " the assumptions behind the band is off: compare {suspects} with the plan."
    ),
)
CDA_BASIS_OTHER_TANK = FindingKind(
    code="cda-basis-other-tank",
    severity="caution",
    group=EARLIER_RUN,
    text=("{typed}, but {number} flowed the {others} tank; name the run of this side."),
)
CDA_BASIS_WITHOUT_NUMBER = FindingKind(
    code="cda-basis-without-number",
    severity="caution",
    group=EARLIER_RUN,
    text=("{typed}, but the analysis of {number} could give no CdA; its findings say why."),
)
CDA_BASIS_CAVITATED = FindingKind(
    code="cda-basis-cavitated",
    severity="caution",
    group=EARLIER_RUN,
    text=("{typed}, but {said}."),
)
CDA_BASIS_OTHER_SIDE = FindingKind(
    code="cda-basis-other-side",
    severity="caution",
    group=EARLIER_RUN,
    text=("{typed}, but {said}."),
)
CDA_NOT_AS_RUN = FindingKind(
    code="cda-not-as-run",
    severity="caution",
    group=EARLIER_RUN,
    text=("{typed}, {far}. Type what was measured (standbook carry), or say on what else it rests.{made_up}"),
)
CDA_SURER_THAN_RUN = FindingKind(
    code="cda-surer-than-run",
    severity="note",
    group=EARLIER_RUN,
    text=("{typed}: they agree, but the plan claims a smaller u than the run has.{made_up}"),
)
LIFT_OFF_BELOW_REQUIRED = FindingKind(
    code="lift-off-below-required",
    severity="caution",
    text=(
        "Lift-off thrust over weight is {ratio:.2f} at {mass:.1f} kg, but its lower bound {lower:.2f} is below "
        "the required {required:.2f}; up to {greatest_mass:.1f} kg meets it, so shed mass or show more thrust."
    ),
)
LITTLE_OF_RANGE = FindingKind(
    code="little-of-range",
    severity="caution",
    text=(
        "{channel} will use {share_percent:.0f} % of its calibrated range, and its zero alone is {zero_percent:.2g} % "
        "of the greatest reading. A sensor of a smaller range, or a zero that is known better, would show more."
    ),
)
NEARLY_ALL_OF_RANGE = FindingKind(
    code="nearly-all-of-range",
    severity="note",
    text=(
        "{channel} will use {share_percent:.0f} % of its calibrated range: a start that overshoots is cut off. Trade "
        "practice is 40 to 75 % (no source)."
    ),
)
LOAD_NOT_LIMITED = FindingKind(
    code="load-not-limited",
    severity="note",
    text=(
        "The load of tank {free} is not limited by hardware (no greatest_load in the plan), so no impulse with "
        "tanks as full as they go is predicted; the weighing of the load is the only evidence of it."
    ),
)
HARDWARE_FULL_OVER_LIMIT = FindingKind(
    code="hardware-full-over-limit",
    severity="caution",
    text=(
        "With tanks as full as the hardware permits the predicted impulse is {nominal:,.0f} N*s at site and "
        "{vacuum:,.0f} N*s in vacuum, upper bounds {upper:,.0f} and {upper_vacuum:,.0f} N*s against {limit:,.0f} N*s:"
        " how the load is controlled is part of the evidence ({control})."
    ),
)
LIMIT_DIFFERS_FROM_RULE = FindingKind(
    code="limit-differs-from-rule",
    severity="caution",
    text=(
        "The plan's limit is {limit:,.1f} N*s, but {known_name} prints {impulse:,.0f} N*s ({printed}, {source}); "
        "correct the limit or its name."
    ),
)
HEAD_LEFT_OUT = FindingKind(
    code="head-left-out",
    severity="note",
    text=(
        "Tank {blind}: no internal_diameter in the plan, so the weight of the liquid column is left out of the "
        "driving pressure; flow is a little higher than predicted."
    ),
)
START_PRESSURES_DRAWN_TOGETHER = FindingKind(
    code="start-pressures-drawn-together",
    severity="note",
    text=(
        "The start pressures of the tanks were drawn together, as read off one kind of gauge: alike errors add up"
        " in the impulse. With independent gauges the band is a little narrower in impulse, wider in mixture "
        "ratio."
    ),
)
DRAWS_HELD = FindingKind(
    code="draws-held",
    severity="caution",
    text=(
        "{held} drawn values were held at a physical bound (positive, tank not overfull); the plan's "
        "uncertainties are too wide for normal distributions there, so read the band's ends with care."
    ),
)
SAMPLES_UNFINISHED = FindingKind(
    code="samples-unfinished",
    severity="caution",
    text=(
        "{unfinished} samples were not depleted where the prediction stops; their numbers at the end stand for "
        "that instant. Check start pressures and feed CdA, and their uncertainties."
    ),
)
MEAN_BELOW_NOMINAL = FindingKind(
    code="mean-below-nominal",
    severity="note",
    text=(
        "The mean of the samples, {mean:,.0f} N*s, lies {below:,.0f} N*s below the nominal {nominal:,.0f} N*s:"
        " any mismatch of the two sides strands propellant, {left:.2f} kg left aboard on average against "
        "{meant:.2f} kg nominal."
    ),
)
RUN_OUT_ORDER_UNSURE = FindingKind(
    code="run-out-order-unsure",
    severity="note",
    text=("{capitalize} is depleted first as planned, but in {share_percent:.0f} % of the samples {channel} is."),
)
CSTAR_TABLE_LEFT = FindingKind(
    code="cstar-table-left",
    severity="caution",
    text=(
        "Mixture ratios from {low:.2f} to {high:.2f} leave the plan's c* table ({first:g} to {last:g}); c* was "
        "held at the table's end there. Extend the table."
    ),
)
THROAT_NOT_CHOKED = FindingKind(
    code="throat-not-choked",
    severity="caution",
    text=(
        "Chamber pressure falls to {low:.2f} bar(a) in the band's lower end; below {needed:.2f} bar(a) the throat"
        " is not choked and thrust, flow and impulse are not predicted well."
    ),
)
STAND_RATED_LOAD = FindingKind(
    code="stand-rated-load",
    severity="serious",
    text=(
        "The upper end of predicted thrust, {thrust:,.0f} N, is over the rated load of stand {stand_name}, "
        "{rated_load:,.0f} N; do not fire on it."
    ),
)
CLOSING_NOT_STATED = FindingKind(
    code="closing-not-stated",
    severity="note",
    text=(
        "The plan closes the valve early but does not say when (close_after), so the flow is predicted to depletion"
        " at {run_out:.1f} s."
    ),
)
CLOSING_AFTER_RUN_OUT = FindingKind(
    code="closing-after-run-out",
    severity="caution",
    text=(
        "The valve is to close after {time:.1f} s, but in {share_percent:.0f} % of the samples the liquid is "
        "depleted by then (nominally at {run_out:.1f} s): gas would pass and spoil the CdA. Close earlier."
    ),
)
EXPONENT_OVERRIDDEN = FindingKind(
    code="exponent-overridden",
    severity="caution",
    group=EARLIER_RUN,
    text="{refusal}. The plan does it for this reason: {reason}.",
)
CLASS_UPPER_BOUND_SITE = FindingKind(
    code="class-upper-bound-site",
    severity="caution",
    text=(
        "Predicted impulse at site ambient pressure is {nominal:,.0f} N*s, but its {guard_percent:g} % one-sided upper "
        "bound {upper:,.0f} N*s is over the limit of {limit:,.0f} N*s ({limit_name}): staying within is not assured "
        "before the run. Lower the load, or narrow what widens the band."
    ),
)
CLASS_EXCEEDED_SITE = CLASS_UPPER_BOUND_SITE.worded(
    "Predicted impulse at site ambient pressure is {nominal:,.0f} N*s, already over the limit of {limit:,.0f} N*s "
    "({limit_name}); its {guard_percent:g} % one-sided upper bound {upper:,.0f} N*s. Lower the load."
)
CLASS_UPPER_BOUND_VACUUM = FindingKind(
    code="class-upper-bound-vacuum",
    severity="caution",
    text=CLASS_UPPER_BOUND_SITE.text.replace("at site ambient pressure", "referred to vacuum"),
)
CLASS_EXCEEDED_VACUUM = CLASS_UPPER_BOUND_VACUUM.worded(
    CLASS_EXCEEDED_SITE.text.replace("at site ambient pressure", "referred to vacuum")
)
HOLD_IN_THE_SUN = FindingKind(
    code="hold-in-the-sun",
    severity="note",
    text=(
        "{channel}: a hold in which the closed tank warms by {warmer:.0f} K, to {hottest:.0f} degC, brings it to "
        "{reached_bar:.1f} bar(g), and the relief may open from {opens_bar:.1f}: vent, shade, or start lower."
    ),
)
LIQUID_FULL_BEFORE_RELIEF = FindingKind(
    code="liquid-full-before-relief",
    severity="caution",
    text=(
        "{channel}: filled to {fill_percent:.0f} % and closed, the liquid expands as it warms until it fills the tank "
        "before its vapour lifts the relief at {relief_bar:.1f} bar(g); that begins at {most_percent:.0f} %. Fill "
        "less, and never leave the tank closed and unvented."
    ),
)
RELIEF_ABOVE_NAMEPLATE = FindingKind(
    code="relief-above-nameplate",
    severity="serious",
    group=VESSEL,
    text=(
        "{channel}: the relief is set to {relief_bar:.1f} bar(g), above the nameplate's {nameplate_bar:.1f}: it "
        "protects nothing. Such a plan is not locked."
    ),
)
START_NEAR_RELIEF = FindingKind(
    code="start-near-relief",
    severity="note",
    text=(
        "{channel}: the start pressure may be {highest_bar:.1f} bar(g), above {margin_percent:.0f} % of the relief's "
        "set pressure of {relief_bar:.1f}: a relief that simmers loses gas, and the plan's start no longer holds."
    ),
)
START_OVER_LIMIT = FindingKind(
    code="start-over-limit",
    severity="serious",
    group=VESSEL,
    text=(
        "{channel}: the start pressure may be {highest_bar:.1f} bar(g) with its uncertainty, above "
        "{share_percent:.0f} % of the {what} of {limit_bar:.1f} bar(g). Such a plan is not locked: start lower."
    ),
)
