"""Findings about faults that a tank's own pressure record shows before anything is fitted to it."""

from standbook.daq.findings.finding import FindingKind

PASSED_OVER = "No CdA and no exponent is taken from this sensor; {decide}."
HELD_VALUE = FindingKind(
    code="held-value",
    severity="serious",
    text=(
        "{channel}: from T{time:+.2f} s it gave one and the same count for {seconds:.2f} s, {samples} samples, although"
        f" noise moves it before and after: a held or lost reading, which can pass for a closing. {PASSED_OVER}"
    ),
)
PRESSURE_ROSE = FindingKind(
    code="pressure-rose",
    severity="serious",
    text=(
        "{channel}: at T{time:+.2f} s it rose by {rise_percent:.1f} % of the start pressure within {seconds:.2f} s. A "
        f"tank that empties cannot do that, gas would have to enter it: the signal moved. {PASSED_OVER}"
    ),
)
SIGNAL_STEPPED = FindingKind(
    code="signal-stepped",
    severity="serious",
    text=(
        "{channel}: at T{time:+.2f} s it stepped by {step_percent:+.2f} % of the reading, {in_u:.0f} standard "
        f"uncertainties, in mid-flow: a zero that moved, a plug or a range, not the tank. {PASSED_OVER}"
    ),
)
STEP_FOR_END = FindingKind(
    code="step-for-end",
    severity="serious",
    text=(
        "{channel}: what looks like the flow's end is a step of {step_percent:+.2f} % at T{time:+.2f} s: a curve that "
        "breaks there explains the record better than any that bends, by {gain:.0f} in the sum of squares, and no "
        f"tank's pressure breaks. {PASSED_OVER}"
    ),
)
FLOW_GOES_ON = FindingKind(
    code="flow-goes-on",
    severity="serious",
    text=(
        "{channel}: what looks like the flow's end at T{time:+.2f} s is none: over {seconds:.1f} s after it the "
        "pressure goes on falling as {share:.2f} of the same flow makes it fall. "
        f"{PASSED_OVER}"
    ),
)
GAP_HIDES_END = FindingKind(
    code="gap-hides-end",
    severity="serious",
    text=(
        "{channel}: {seconds:.2f} s of its record are missing from T{time:+.2f} s, where the flow began or ended or for"
        f" too long a part of it, so neither end of the flow is certain. {PASSED_OVER}"
    ),
)
FALLS_AFTER_THRUST = FindingKind(
    code="falls-after-thrust",
    severity="serious",
    text=(
        "{channel}: it begins to fall at T{time:+.2f} s, {late:.2f} s after thrust rose (standard uncertainty "
        "{late_u:.2f} s), and no engine burns before its valves open: a signal cut off above some level, or not this "
        f"tank's. {PASSED_OVER}"
    ),
)
ENDS_BEFORE_THRUST = FindingKind(
    code="ends-before-thrust",
    severity="serious",
    text=(
        "{channel}: its flow seems to end at T{time:+.2f} s, {early:.2f} s before the chamber's pressure or the thrust "
        "falls (standard uncertainty {early_u:.2f} s), and no engine burns on without one of its liquids: a step or a "
        f"bend of the signal was taken for the end. {PASSED_OVER}"
    ),
)
START_PRESSURE_NOT_AS_PLANNED = FindingKind(
    code="start-pressure-not-as-planned",
    severity="serious",
    text=(
        "{channel}: the tank stood at {seen_bar:.2f} bar(a) before the opening, {apart_percent:+.1f} % of the "
        "{stated_bar:.2f} bar(a) {stated}; {allowed_percent:.1f} % may happen: a signal cut off, a wrong range or "
        "channel, or a tank opened at another pressure. No CdA and no exponent is given; {decide}."
    ),
)
