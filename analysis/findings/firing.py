"""Findings of a firing beside its impulse."""

from standbook.analysis.findings.causes import DEPARTURE
from standbook.analysis.findings.consequences import READINGS
from standbook.daq.findings.finding import FindingKind

ALIASED = FindingKind(
    code="aliased",
    severity="caution",
    text=(
        "{channel} is sampled at {rate:.0f} Hz and shows aliases of what is too fast for it: {listed}. Nothing "
        "oscillates at those frequencies. Put a low-pass filter at {corner:.0f} Hz or below in front of the "
        "converter, and take no frequency from this channel."
    ),
)
CELL_REVERSED = FindingKind(
    code="cell-reversed",
    severity="serious",
    text=(
        "{channel}: reads {mean:,.0f} N during the burn; thrust must be positive. The cell or its sign in the "
        "calibration is reversed: check with a known pull along the thrust line. No sign is turned here, so no "
        "impulse is given."
    ),
)
CHUG = FindingKind(
    code="chug",
    severity="caution",
    text=(
        "{frequencies} Hz in the chamber pressure from T{time:+.1f} s on, {growth}; chamber and {source} are "
        "coherent there ({coherence:.2f}; chance reaches {coherence_needed:.2f} once in a hundred) and neither "
        "mains nor the stand vibrates so: chamber and feed really oscillate together. Look at the injector "
        "pressure-drop ratio at that time before the next firing; a larger one damps it. {limit_words}"
    ),
)
CHUG_OR_STAND = FindingKind(
    code="chug-or-stand",
    severity="caution",
    text=(
        "{frequencies} Hz in the chamber pressure from T{time:+.1f} s on, {growth}: that is where the stand's "
        "mode lies, and chamber and feed are coherent there too. This record cannot tell the two apart. "
        "{limit_words}"
    ),
)
COMBUSTION_ROUGH = FindingKind(
    code="combustion-rough",
    severity="caution",
    text=(
        "Chamber pressure left its mean by more than {smooth_limit_percent:.0f} % in {rough_share_percent:.0f} % "
        "of the steady burn; over one second it fluctuated by up to {greatest_rms_share_percent:.1f} % rms, "
        "about T{time:+.1f} s."
    ),
)
LINE_UNEXPLAINED = FindingKind(
    code="line-unexplained",
    severity="note",
    text=(
        "{frequencies} Hz in the chamber pressure from T{time:+.1f} s to T{end:+.1f} s, {growth}; {why}, and it "
        "is neither mains nor a stand mode of stand.toml. It is not named. {limit_words}"
    ),
)
LOAD_FOR_CLASS = FindingKind(
    code="load-for-class",
    severity="note",
    text=(
        "With {greatest_load:.1f} kg of both liquids at the same mixture instead of {load:.1f} kg, this run's "
        "impulse carried over by the model would just be within the limit {place}, guarded alike. Another firing "
        "scatters: plan below that. The largest uncertainty is {largest_source}; without it the expanded "
        "uncertainty would shrink by {gain:,.0f} N*s."
    ),
)
MAINS_HUM = FindingKind(
    code="mains-hum",
    severity="note",
    text=(
        "Mains hum, not the engine: {listed}, most on {channel} with {share:.1f} % of its mean.{mode} Hum sums to"
        " nothing in the impulse. Look at shields and grounds."
    ),
)
MASS_NOT_CLOSED = FindingKind(
    code="mass-not-closed",
    severity="note",
    text=(
        "By the {route} {total:.2f} kg left, {closure_percent:+.1f} % against the scales with u = "
        "{closure_u_percent:.1f} %: a flow area differs from the plan's, a weighing is wrong, or liquid left "
        "unmeasured."
    ),
)
CHAMBER_FACTS_MISSING = FindingKind(
    code="chamber-facts-missing",
    severity="note",
    text=(
        "The plan does not say {missing}. That costs {share_percent:.1f} % of c* and thrust coefficient as a standard "
        "uncertainty, {cost:.0f} m/s of c*; {remedy}."
    ),
)
BOIL_OFF_BOUNDED = FindingKind(
    code="boil-off-bounded",
    severity="note",
    text=(
        "{channel}: {liquid} stood vented for {minutes:.0f} min after it was weighed and may have lost up to "
        "{most:.2f} kg ({share_percent:.1f} % of what left); c* and specific impulse are lower bounds, the mixture "
        "ratio is {side}. State boil_off, from the slope of a cell or of a weighing, or weigh the top-up."
    ),
)
BOIL_OFF_UNKNOWN = BOIL_OFF_BOUNDED.worded(
    "{channel}: nothing says how long {liquid} stood vented after it was weighed; in {minutes:.0f} min it may lose "
    "up to {most:.2f} kg ({share_percent:.1f} % of what left), so c* and specific impulse are lower bounds, the "
    "mixture ratio is {side}. State loaded_at and vented_until with the weighings, and boil_off if it is known.",
    severity="note",
)
NO_CHAMBER_PRESSURE = FindingKind(
    code="no-chamber-pressure",
    severity="caution",
    text=(
        "No chamber pressure sensor can be believed over the burn, so c*, thrust coefficient, CdA and injector "
        "pressure-drop ratio are not known, and nothing but the cell itself vouches for the thrust."
    ),
)
NO_JOINT_FIT = FindingKind(
    code="no-joint-fit",
    severity="note",
    text=(
        "A firing's CdA comes from weighed mass alone: the joint fit that cross-checks it in a water flow needs a"
        " constant back pressure. Hold it against the water flow of the same side."
    ),
)
NO_SPECTRA = FindingKind(
    code="no-spectra",
    severity="note",
    text=("The steady burn lasts {end:.2f} s, too short for a spectrum: nothing is said about oscillations."),
)
NO_THRUST = FindingKind(
    code="no-thrust",
    severity="serious",
    text=(
        "{channel}: nothing that could be thrust: its mean never leaves rest by more than {height:,.1f} N.{dead} "
        "The record spans T{first:+.1f} s to T{last:+.1f} s; in it {contents}. After a misfire keep away for the "
        "waiting time; valve, igniter and chamber traces around the fire command say what failed. If the engine "
        "burned, check the cell with a known pull."
    ),
)
RUN_OUT_ORDER = FindingKind(
    code="run-out-order",
    severity="caution",
    follows_from=frozenset({READINGS}),
    group=DEPARTURE,
    text=(
        "{tank} was depleted first, at T{time:+.2f} s, although the plan intended {wanted_name} first{rest}. What "
        "stays aboard gives no impulse: correct the exponent or the load of one side before the next firing."
    ),
)
ZERO_UNSETTLED = FindingKind(
    code="zero-unsettled",
    severity="serious",
    text=(
        "{channel}: the second zero still moves by {change:+,.1f} N within {span:g} s from T{time:+.1f} s: thrust"
        " tails off, liquid flows out or the cell drifts, so what is taken for rest is none and the impulse may be"
        " wrong by more than its uncertainty. Record until the cell has stood still for 5 s."
    ),
)
RUN_OUT_ORDER_PREDICTED = RUN_OUT_ORDER.worded(
    "The plan wants {wanted} depleted first, but {channel} is, nominally and in {share_percent:.0f} % of "
    "the samples; adjust the loads.",
    severity="caution",
)
