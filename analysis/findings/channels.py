"""Findings about channels, supplies, clocks and gaps."""

from standbook.analysis.findings.consequences import PLACES, READINGS
from standbook.daq.findings.finding import FindingKind

CELL_DROP_OUTS = FindingKind(
    code="cell-drop-outs",
    severity="caution",
    text=(
        "{channel}: {samples} of the samples jumped away from their neighbours for an instant, first at "
        "T{time:+.3f} s: a loose contact or interference, no thrust. They are left out as lost; check plugs, "
        "shield and igniter wiring."
    ),
)
CELL_FROZEN = FindingKind(
    code="cell-frozen",
    severity="caution",
    text=(
        "{channel}: not one count changed for {seconds:.2f} s from T{time:+.2f} s, although its noise moves it "
        "before: converter or cable stood still. Those samples are left out as lost; look at the converter's "
        "supply and the logger's notes."
    ),
)
CALIBRATIONS_NOT_IN_DATE = FindingKind(
    code="calibrations-not-in-date",
    severity="caution",
    text=(
        "Not in date on {day}: {calibrations}. What such a sensor has drifted by since nobody checked, and no "
        "uncertainty here holds it. Calibrate again before touching anything, and analyse again with the new revision."
    ),
)
CELLS_SUMMED = FindingKind(
    code="cells-summed",
    severity="note",
    text=("{channel} stands for the sum of {cells}, which carried {percent} of what the burn added."),
)
CELL_DEAD = FindingKind(
    code="cell-dead-in-sum",
    severity="serious",
    withholds_verdict=True,
    text=(
        "{channel}: carried {share_percent:.1f} % of the summed thrust: dead, unplugged or not under load, so the sum "
        "may lack what it should have carried. The impulse is not held against its limit. Push at each cell's place in "
        "turn and see the shares change and the sum stand."
    ),
)
CELL_REVERSED_IN_SUM = FindingKind(
    code="cell-reversed-in-sum",
    severity="serious",
    withholds_verdict=True,
    text=(
        "{channel}: fell by {share_percent:.0f} % of the summed thrust while the others rose: it or its sign is "
        "reversed, so the sum is no thrust and is not held against a limit. Push at its place, see which way it goes, "
        "and correct plug or calibration."
    ),
)
CHANNELS_EXCHANGED = FindingKind(
    code="channels-exchanged",
    severity="serious",
    spoils=frozenset({READINGS, PLACES}),
    text=(
        "{when}, {wanted} should have and did not: {channel} and {wanted} are swapped, at the plug or in "
        "stand.toml. Numbers of both places are not to be used, and the stand is not ready with them: correct it,"
        " pressurise one place at a time, and analyse again."
    ),
)
CLIPPED = FindingKind(
    code="clipped",
    severity="serious",
    text=(
        "{channel}: clipped for {seconds:.3f} s from T{time:+.2f} s at {peak:,.4g} {unit}; what was beyond is "
        "hidden. Give the channel a wider range."
    ),
)
FLAT_TOP = CLIPPED.worded(
    "{channel}: {samples} samples from T{time:+.2f} s stand on the record's top count, {peak:,.4g} {unit}, and hardly "
    "one a count below, although noise moves it elsewhere: cut off by amplifier or converter; what was beyond is "
    "hidden. Give the channel a wider range."
)
CLOCK_CORRECTED = FindingKind(
    code="clock-corrected",
    severity="note",
    text=(
        "{stream}: the board's clock ran {rate_percent:.2f} % {direction} ({rate:+,.0f} ppm, standard uncertainty"
        " {rate_u:.2g} ppm) against the computer over {minutes:.0f} min. All times are corrected for it{moved}; "
        "what is left of it is in the budget."
    ),
)
CLOCK_BENT = FindingKind(
    code="clock-rate-changed",
    severity="serious",
    text=(
        "{stream}: arrivals say that the board's clock changed its rate by {bend_percent:+.2f} % within the record, as "
        "no oscillator's does, so lengths of time in it, and total impulse with them, are not known."
    ),
)
DEVICE_NOTE = FindingKind(
    code="device-note",
    severity="caution",
    text=("{name}: {note_text}"),
)
DEVICE_RESTARTED = FindingKind(
    code="device-restarted",
    severity="caution",
    text=("{key}: the board restarted in the record ({boots} starts); check its supply, above all at igniter current."),
)
GAP = FindingKind(
    code="gap",
    severity="caution",
    text=(
        "{key}: {number} gap{plural} in the {part}, {seconds:.3f} s in all, the first at T{time:+.3f} s. Nothing "
        "was put into it."
    ),
)
GAUGE_AS_ABSOLUTE = FindingKind(
    code="gauge-as-absolute",
    severity="serious",
    spoils=frozenset({READINGS}),
    text=(
        "{reading_words} A gauge sensor is described as absolute: correct its calibration before any exponent is used."
    ),
)
INTERFERENCE = FindingKind(
    code="interference",
    severity="note",
    text=(
        "{channel}: {number} lone sample{plural} at the rail, first T{time:+.3f} s, the neighbours far from it: "
        "interference such as igniter current, neither ignition nor a peak. The counts stay in the record; look "
        "at shields and at the igniter's wiring."
    ),
)
LATER_CALIBRATION = FindingKind(
    code="later-calibration",
    severity="note",
    text=("{channel}: analysed with {later_name}, {before}; counts are as recorded."),
)
MARK_CONTRADICTED = FindingKind(
    code="mark-contradicted",
    severity="caution",
    text=(
        "{when} together with {wanted}, which alone should have: a valve or a cross-connection joins both places,"
        " or a sensor sits on the wrong one. Pressurise one place at a time and look again."
    ),
)
NO_CALIBRATION = FindingKind(
    code="no-calibration",
    severity="note",
    text=("{channel}: recorded in counts only, the plan names no calibration for it."),
)
NO_SUPPLY = FindingKind(
    code="no-supply",
    severity="caution",
    text=(
        "{channel}: its supply {supply} was not recorded or has no calibration, so the channel cannot be read; "
        "name the supply's calibration in the plan and analyse again."
    ),
)
TAPS_DIFFER = FindingKind(
    code="taps-differ",
    severity="note",
    text=(
        "The tap test found the stand's first mode at {found:.2f} +/- {u:.2f} Hz, and the stand file states "
        "{typed:.2f} Hz. The test is used; correct the stand file."
    ),
)
NO_T_ZERO = FindingKind(
    code="no-t-zero",
    severity="caution",
    text=("There is no T-0 ({why}): times count from the first row, and no prediction counts as locked."),
)
NOT_RESPONDING = FindingKind(
    code="not-responding",
    severity="serious",
    text=(
        "{channel}: not responding from T{time:+.1f} s {lasting}: not one count changed for {still_for:.0f} s or "
        "more although its pressure must move; {known}. Do not use {channel} to approach. Look for a blocked "
        "sense line, ice, or a frozen converter."
    ),
)
OPEN_WIRE = FindingKind(
    code="open-wire",
    severity="caution",
    text=(
        "{channel}: open or shorted wire for {seconds:.3f} s from T{time:+.2f} s; those samples are left out. "
        "Check plug and cable."
    ),
)
PAIR_DISAGREES = FindingKind(
    code="pair-disagrees",
    severity="caution",
    text=(
        "{channel} and {other} measure the same pressure but differ by {apart_bar:+.2f} bar at T{time:+.1f} s; "
        "{allowed_bar:.2f} bar is explained by their calibrations. {channel} is used; one of them is wrong: "
        "repeat the zero and the gauge check of both."
    ),
)
ROWS_FILLED = FindingKind(
    code="rows-filled",
    severity="note",
    text=(
        "{rows:,} row{plural} of {key} from T{time:+.2f} s{places} {were} filled from {added_name} (card copy "
        "{source}); {overlap_rows:,} overlapping rows agreed."
    ),
)
ROWS_LOST = FindingKind(
    code="rows-lost",
    severity="note",
    text=("{key}: {lost_rows} rows were lost outside the {part}."),
)
SUPPLY_SAGGED = FindingKind(
    code="supply-sagged",
    severity="caution",
    text=(
        "{channel}: the sensor supply sagged by {sag_percent:.1f} % from T{since:+.2f} s, for {seconds:.1f} s of "
        "the run. {meaning}. Look at supply, cable and what else draws current then."
    ),
)
VENTED_ZERO = FindingKind(
    code="vented-zero",
    severity="caution",
    text=("{reading_words} Its zero moved: repeat the zero at ambient, before and after."),
)
NO_PREDICTION = FindingKind(
    code="no-prediction",
    severity="note",
    text=("There is no prediction to compare with. Predict and lock the plan before the next run."),
)
POSTDICTION = FindingKind(
    code="postdiction",
    severity="caution",
    text=("The prediction was not locked before T-0 but calculated afterwards: agreement with it shows no foresight."),
)
CHANNELS_EXCHANGED_CROSSWISE = CHANNELS_EXCHANGED.worded(
    "{channel} follows {fourth} and {third} follows {other}, crosswise to what the stand file says: {channel}"
    " and {third}, or {other} and {fourth}, are swapped. Numbers of both places are not to be used: "
    "pressurise one place at a time, correct plug or stand.toml, and analyse again.",
    severity="serious",
)
SUPPLY_NOT_AS_STATED = FindingKind(
    code="supply-not-as-stated",
    severity="serious",
    spoils=frozenset({READINGS}),
    text=(
        "{tags} differ from their redundant sensors by one common factor: their signals are {value_percent:.1f} % "
        "{way} ({each}). All hang on a supply that stand.toml states and nobody records: it was not what is stated. "
        "Their readings are not to be used; the redundant sensors do not hang on it. Record the supply as a channel, "
        "and name that in stand.toml."
    ),
)
PART_FAILED = FindingKind(
    code="part-failed",
    severity="serious",
    withholds_verdict=True,
    text=(
        "{part} could not be computed from this record ({error}) and is left out; nothing else is taken from it. The "
        "record is as it was. Look at the readings of that time, and report the run to whoever keeps this software."
    ),
)
CELL_AT_RAIL = FindingKind(
    code="cell-at-rail",
    severity="caution",
    text=(
        "{channel}: from T{time:+.2f} s it stands at its converter's end for {seconds:.2f} s without having run into "
        "it: wire, plug or amplifier, not thrust. Those samples count as lost. Look at the cell's wiring."
    ),
)
U_BELOW_FLOOR = FindingKind(
    code="u-below-floor",
    severity="note",
    text=(
        "{what} claims a standard uncertainty of {stated}; on a stand of this kind nobody shows less than {floor} "
        "(judgement), so {floor} is used."
    ),
)
