"""Findings about thrust, zeros, load path and total impulse."""

from standbook.analysis.findings.consequences import READINGS
from standbook.daq.findings.finding import FindingKind

BENT = FindingKind(
    code="calibration-bent",
    severity="note",
    text=(
        "{channel}: the points of calibration {calibration} bend: a polynomial of degree {degree} fits them better "
        "(F {ratio:.1f}, {needed:.1f} needed at 5 %). Fit that degree into a new revision."
    ),
)
BOOT_CHANGED = FindingKind(
    code="boot-changed",
    severity="serious",
    text=(
        "{channel}: the board restarted: nothing stands for {lost:.2f} s of thrust from T{start:+.2f} s on, "
        "and what it measured meanwhile is nowhere.{guess} What was recorded is a lower bound of the impulse, so the "
        "class is not shown. Repeat the run; look at the board's supply first, above all at igniter current."
    ),
)
CELL_LEAPT = FindingKind(
    code="cell-leapt",
    severity="serious",
    text=(
        "{channel}: its reading leaps from {before:,.0f} to {after:,.0f} N between two samples at T{time:+.3f} s."
        " No stand that rings at {mode:.0f} Hz can follow so fast: plug, cable or amplifier, not thrust. What the"
        " cell shows beside it cannot be believed, so the impulse is a lower bound. Look at the cell's plug and "
        "cable, and repeat the run."
    ),
)
CHAMBER_ABOVE_TANK = FindingKind(
    code="chamber-above-tank",
    severity="serious",
    text=(
        "{channel} reads {level_bar:.2f} bar(a) in the middle of the burn and {tank_tag}, the {name} tank that "
        "feeds the chamber, {tank_bar:.2f} bar(a): no liquid flows uphill. The two are swapped, or one of them is "
        "in another unit, or gauge taken for absolute. c*, thrust coefficient, CdA and injector pressure-drop ratio "
        "are not given. Check both with a reference gauge, correct stand.toml or the calibration."
    ),
)
CHAMBER_NOT_FOLLOWED = FindingKind(
    code="chamber-not-followed",
    severity="caution",
    text=(
        "{story}{words}: the throat grew or was blocked, or the chamber's sensor or line changed. c*, thrust "
        "coefficient and injector pressure-drop ratio are means over that change. Gauge the throat, and look at "
        "the chamber's line."
    ),
)
EARLY_END = FindingKind(
    code="early-end",
    severity="serious",
    text=(
        "{channel}: the record ends at T{record_end:+.3f} s with thrust still up. What came after is not known: "
        "the impulse is a lower bound."
    ),
)
GAIN_NOT_KNOWN = FindingKind(
    code="gain-not-known",
    severity="serious",
    text=(
        "{channel}: calibration {calibration} states no uncertainty of its reference (reference_uncertainty), so "
        "nothing says how wrong its slope may be, and the budget lacks its largest part. State what the reference"
        " standard is worth in a new revision, or pull the stand against a reference cell, and analyse again with"
        " it."
    ),
)
GAP_BOUNDED = FindingKind(
    code="gap-bounded",
    severity="caution",
    text=(
        "{channel}: {lost_ms:.0f} ms of thrust were lost in gaps between {between} and the end of thrust. Nothing was "
        "put into them; they hide at most {unseen:,.0f} N*s, which is added to the upper bound."
    ),
)
ROWS_BRIDGED = FindingKind(
    code="rows-bridged",
    severity="note",
    text=(
        "{channel}: {rows} single rows, {lost_ms:.0f} ms of thrust, were lost between {between} and the end of thrust."
        " The integral runs straight from neighbour to neighbour; that is known to {bridged_u:.1f} N*s, which is in "
        "its uncertainty."
    ),
)
GAP_UNBOUNDED = FindingKind(
    code="gap-unbounded",
    severity="serious",
    text=(
        "{channel}: {lost:.3f} s of thrust were lost between {between} and the end of thrust, the first at "
        "T{time:+.3f} s; more than {gaps_bounded_ms:.0f} ms cannot be charged.{guess} The impulse is a lower "
        "bound; repeat the run."
    ),
)
IMPULSE_PER_MASS_IMPOSSIBLE = FindingKind(
    code="impulse-per-mass-impossible",
    severity="serious",
    spoils=frozenset({READINGS}),
    text=(
        "Impulse over the expelled weight is {specific_impulse:.0f} s, {share_percent:.0f} % of what the plan's "
        "engine gives in vacuum; {low_percent:.0f} to {high_percent:.0f} % is credible.{hint} Check {channel} "
        "with a known weight and look for propellant that left unburned before the impulse is used."
    ),
)
LATE_START = FindingKind(
    code="late-start",
    severity="serious",
    text=(
        "{channel}: the record begins {began}. What came before is not known: the impulse is a lower bound. "
        "Record from pad opening."
    ),
)
LOAD_PATH_NOT_MEASURED = FindingKind(
    code="load-path-not-measured",
    severity="note",
    text=(
        "{channel}: its calibration has no [stand_interaction]: hoses and flexures beside the cell may carry up to "
        "{share_percent:.0f} % of the thrust (judgement), which can only make it read low; the upper bound holds it. "
        "Pull the stand against a reference cell, hoses connected and pressurised, or hang check weights."
    ),
)
LOADED_BESIDES = FindingKind(
    code="loaded-besides",
    severity="caution",
    text=("{channel}: it was loaded {times} besides the burn, first from T{time:+.1f} s to T{end:+.1f} s; {why}."),
)
MISSES_ITS_LEVELS = FindingKind(
    code="misses-its-levels",
    severity="note",
    text=(
        "{channel}: the polynomial of calibration {calibration} misses its levels by up to {greatest:.1f} N; on this "
        "burn {share_percent:.2f} % of the impulse, standard uncertainty. Calibrate three times at the levels that "
        "are used, or fit a degree higher."
    ),
)
NO_IGNITION = FindingKind(
    code="no-ignition",
    severity="serious",
    text=(
        "No ignition: {seen}, and {channel} moved by {height:,.0f} N, no more than the {weight:,.0f} N that all "
        "propellant weighs. Propellant passed unburned, or the zero moved; no impulse is given. After a misfire "
        "keep away for the waiting time: unburned propellant may lie in chamber and stand. Valve, igniter and "
        "chamber traces around the fire command say what failed."
    ),
)
NOZZLE_NOT_FULL = FindingKind(
    code="nozzle-not-full",
    severity="note",
    text=(
        "A nozzle of expansion ratio {expansion_ratio:.1f} ends below {separates_percent:.0f} % of the air's pressure "
        "where {channel} reads under {least_bar:.1f} bar(a), and {share_percent:.0f} % of the impulse came so. The "
        "flow leaves the wall there, and air takes less from the thrust than from a full nozzle: the value referred "
        "to vacuum is an upper bound."
    ),
)
ONE_ZERO = FindingKind(
    code="one-zero",
    severity="caution",
    text=(
        "{channel}: quiet only before or only after the burn, so {weight}drift of the zero is not recorded; it is "
        "charged at the calibration's zero uncertainty. Record from well before T-0 until at least 5 s after "
        "shutdown."
    ),
)
PULL_NOT_APPLIED = FindingKind(
    code="pull-not-applied",
    severity="caution",
    text="{channel}: the pull {pull} is not used: {why}. The load path is as the calibration states it.",
)
PULL_TOO_LOW = FindingKind(
    code="pull-too-low",
    severity="note",
    text=(
        "{channel}: the in-place pull went to {highest_force:,.0f} N, the firing to {greatest:,.0f} N; the stand "
        "factor is carried beyond it. Pull at least to half of the maximum thrust."
    ),
)
PULL_WITHOUT_PRESSURE = FindingKind(
    code="pull-without-pressure",
    severity="note",
    text=(
        "{channel}: lines were at {highest_line_bar:.1f} bar(g) in the in-place pull, and changed by "
        "{hoses_bar:.1f} bar in the firing; what hoses push and shunt grows with pressure, so pull with lines "
        "pressurised."
    ),
)
PULL_WITHOUT_STIFFENING = FindingKind(
    code="pull-without-stiffening",
    severity="note",
    text=(
        "{channel}: the pull {pull} went through all forces with lines at {line_bar:.1f} bar(g) only, so that it does "
        "not show whether hoses stiffen under pressure; 0.35 % at 31 bar is in u for it (judgement). Pull once with "
        "the lines empty and once at pressure."
    ),
)
STIFFNESS_LOW = FindingKind(
    code="stiffness-low",
    severity="caution",
    text=(
        "{channel}: {what} over chamber pressure falls to {least:.2f} at T{time:+.1f} s, below the usual "
        "{stiffness_usual:.2f}: chamber and feed line may begin to oscillate together. Look for a growing "
        "spectral peak in the chamber pressure near the end; a higher tank pressure or a smaller injector raises it."
    ),
)
SUPPLY_ONLY_STATED = FindingKind(
    code="supply-only-stated",
    severity="note",
    text=(
        "{channel}: its supply is stated, not measured: {share_percent:.2f} % of the impulse, standard uncertainty. "
        "Log it on a calibrated channel, and name that as its supply in stand.toml."
    ),
)
T_ZERO_IN_BURN = FindingKind(
    code="t-zero-in-burn",
    severity="caution",
    text=(
        "Thrust was up {start:.2f} s before T-0 ({source}): that instant is not the fire command. It is left out:"
        " times still count from it, but nothing is searched from there, and there is no delay and no comparison "
        "with a prediction. Look at the line or the instant that T-0 is taken from."
    ),
)
THRUST_CLIPPED = FindingKind(
    code="thrust-clipped",
    severity="serious",
    text=("{channel}: clipped for {seconds:.3f} s of the burn at {peak:,.0f} N.{guess} The impulse is a lower bound."),
)
THRUST_COEFFICIENT_IMPOSSIBLE = FindingKind(
    code="thrust-coefficient-impossible",
    severity="serious",
    spoils=frozenset({READINGS}),
    text=(
        "Thrust coefficient {coefficient:.2f} is impossible here, {low:g} to {high:g} is credible.{hint} Check "
        "{channel} with a known weight and the chamber sensor with a gauge before any number is used."
    ),
)
THRUST_FLAT_TOP = FindingKind(
    code="thrust-flat-top",
    severity="serious",
    text=(
        "{channel}: it reads {top:,.0f} N without any change for {length:.2f} s from T{time:+.2f} s, and "
        "falls by {fallen:,.0f} N in the {later:.2f} s after: amplifier or converter was at its end, and what was"
        " beyond is hidden. The impulse is a lower bound. Give the cell a wider range."
    ),
)
THRUST_INTERRUPTED = FindingKind(
    code="thrust-interrupted",
    severity="caution",
    text=(
        "{channel}: thrust was below a tenth of its maximum for {length:.2f} s between T{time:+.2f} s and "
        "T{last:+.2f} s, and came back: flame-out and relight, or two burns. The impulse is the sum of all; burn "
        "time and means include the pause. Unburned propellant may have collected: look at valves, igniter and "
        "both tank pressures about that time before anything is approached or repeated."
    ),
)
THRUST_LOST = FindingKind(
    code="thrust-lost",
    severity="serious",
    text=(
        "{channel}: from T{time:+.2f} s on it shows less than half of the thrust that the chamber pressure "
        "implies, for {length:.2f} s in all, while the chamber ({tags}) still burns: cell, cable or mount failed,"
        " or the line to {tags} is blocked. By the chamber about {missing:,.0f} N*s are missing, an estimate "
        "only. The impulse is a lower bound. Check the cell with a known pull and the chamber's line, and repeat "
        "the run."
    ),
)
THRUST_NOT_FOLLOWED = FindingKind(
    code="thrust-not-followed",
    severity="serious",
    text=(
        "{story}, and {second_percent:.0f} % {side} what the tanks let out implies: two witnesses against the "
        "cell. An amplifier near its end, a cell that touches its stop or a hose that carries load does that. "
        "Pull the stand through its whole range against a reference cell before the impulse is used."
    ),
)
GAS_LEFT = FindingKind(
    code="gas-left",
    severity="note",
    text=(
        "{channel}: {mass:.2f} kg of gas (u = {mass_u:.2f}) left the tanks after the liquids and before the second "
        "zero. No burn expelled it, so its {weight:.1f} N are not in the weight correction; that changes the impulse "
        "by {impulse:+,.0f} N*s."
    ),
)
WEIGHT_MISMATCH = FindingKind(
    code="weight-mismatch",
    severity="caution",
    text=(
        "{channel}: zero moved {moved:+,.0f} N; expelled propellant weighs {weight:,.0f} N. "
        "That is {apart:,.1f} N apart, {apart_in_u:.1f} standard uncertainties: the zero drifted, a "
        "weighing is wrong, or liquid left between shutdown and the second zero. The difference is in the budget;"
        " check zeros and weighings."
    ),
)
STIFFNESS_LOW_PREDICTED = STIFFNESS_LOW.worded(
    "Feed drop over chamber pressure falls to {least:.2f} on the {channel} side at the {when}; rules of thumb"
    " ask for 0.10 to 0.30 (they differ in what they count), so watch for feed-coupled oscillation there.",
    severity="note",
)
THRUST_NOT_FOLLOWED_ALONE = THRUST_NOT_FOLLOWED.worded(
    "{story}, and no flow of the tanks says which of the two is wrong: the throat grew or was blocked, the "
    "chamber's line failed, or the cell does not carry all of the thrust. Gauge the throat and pull the stand"
    " through its whole range before the impulse is used.",
    severity="serious",
)
WEIGHT_FELT = FindingKind(
    code="weight-felt",
    severity="serious",
    text=(
        "{channel}: zero moved {moved:+,.0f} N; expelled propellant weighs {weight:,.0f} N. "
        "Are the tanks on the cell? The stand file says the cell does not feel them. Correct stand.toml, or explain "
        "the zero, before the impulse is used."
    ),
)
WEIGHT_SIGN = FindingKind(
    code="weight-sign",
    severity="serious",
    text=(
        "{channel}: zero moved {moved:+,.0f} N; expelled propellant weighs {weight:,.0f} N. "
        "It moved the wrong way for this stand: check the nozzle direction in stand.toml and the polarity of the cell "
        "before the impulse is used."
    ),
)
WEIGHT_UNIT = FindingKind(
    code="weight-unit",
    severity="serious",
    text=(
        "{channel}: zero moved {moved:+,.0f} N; expelled propellant weighs {weight:,.0f} N. "
        "That is {times:.2f} times as much, and {ratio:.3f} is the {unit} ratio: the propellant that left is a check "
        "weight, and {channel} reads low by that. Is its calibration in the other unit? Correct it, then analyse again "
        "with it."
    ),
)
WEIGHT_NOT_FELT = FindingKind(
    code="weight-not-felt",
    severity="serious",
    text=(
        "{channel}: zero moved {moved:+,.0f} N; expelled propellant weighs {weight:,.0f} N. "
        "Does the cell carry the tanks? The stand file says it does. Correct stand.toml, or explain the zero, before "
        "the impulse is used."
    ),
)
