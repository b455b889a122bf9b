"""Findings of the independent checks that the load cell is held against."""

from standbook.daq.findings.finding import FindingKind

CHECK_WEIGHT_APART = FindingKind(
    code="check-weight-apart",
    severity="caution",
    withholds_verdict=True,
    text=(
        "{channel}: the check weight hung {when} the run weighs {force:,.1f} N, and the cell read {reading:,.1f} N, "
        "{percent:.1f} % {side} it: gain, hoses or calibration are not as stated. The impulse is not held against "
        "its limit. Find out which, and repeat the run."
    ),
)
COURSE_CHANGED = FindingKind(
    code="thrust-course-changed",
    severity="caution",
    withholds_verdict=True,
    text=(
        "{channel}: from T{time:+.2f} to T{end:+.2f} s thrust over chamber pressure lies {percent:.1f} % {side} that "
        "of the rest of the burn: the cell's zero or gain changed in the burn, or the throat or the chamber's sensor "
        "did. The impulse is not held against its limit. Look at the cell's mounting, cable and stops, gauge the "
        "throat, and repeat the run."
    ),
)
COURSE_NOTED = FindingKind(
    code="thrust-course-noted",
    severity="note",
    text=(
        "{channel}: from T{time:+.2f} to T{end:+.2f} s thrust over chamber pressure lies {percent:.1f} % {side} that "
        "of the rest of the burn: less than what keeps a verdict back, more than most burns show."
    ),
)
ROUTE_APART = FindingKind(
    code="impulse-routes-disagree",
    severity="caution",
    withholds_verdict=True,
    text=(
        "{channel}: between T{time:+.2f} and T{end:+.2f} s the {route} makes {percent:.1f} % {way} of the impulse "
        "than the load cell, {sigma:.1f} standard uncertainties of both: one of them is wrong, and nothing here tells "
        "which. The impulse is not held against its limit. Hang a check weight, hoses on and pressurised, gauge the "
        "throat, and weigh again."
    ),
)
RATIO_OUTSIDE_TABLE = FindingKind(
    code="mixture-ratio-outside-table",
    severity="note",
    text=(
        "While both liquids flowed the mixture ratio was {ratio:.2f}, outside of the plan's cstar_table, {first:g} to "
        "{last:g}: no c* is planned for it, so the expelled mass is no independent check of the impulse. Extend the "
        "table, and look why the ratio is so far from the planned one."
    ),
)
SECOND_CELL = FindingKind(
    code="second-cell-not-used",
    severity="caution",
    withholds_verdict=True,
    text=(
        "{channel}: this stand has {cells} thrust cells, and {others} is not in the impulse. If it carries part of the "
        'thrust, the impulse lacks that part, so it is not held against its limit. Write share = "sum" beside all '
        'cells that carry parts of one load, or share = "spare" beside one that carries it again, in the stand file.'
    ),
)
