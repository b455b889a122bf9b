"""Findings of a cold flow."""

from standbook.daq.findings.finding import FindingKind

AMOUNT_FROM_LOAD = FindingKind(
    code="amount-from-load",
    severity="caution",
    text=(
        "{channel}: nothing was weighed or metered, so the liquid that left is the plan's load less what cannot "
        "leave, {mass:.3f} kg: if the load was not weighed as the plan has it, CdA and exponent are off by as "
        "much; catch and weigh next time."
    ),
)
AMOUNT_IMPLAUSIBLE = FindingKind(
    code="amount-implausible",
    severity="serious",
    text=(
        "{channel}: {amount:.3f} kg is {ratio:.3g} times what this pressure would have driven through the plan's "
        "{feed_cda_mm2:.2f} mm2: {meant}. No CdA and no exponent is given; {decide}."
    ),
)
AMOUNT_NOT_USABLE = FindingKind(
    code="amount-not-usable",
    severity="caution",
    text=(
        "{channel}: clipped, open or stuck during the flow, so its amount of liquid is left out; look at its wire"
        " and range."
    ),
)
CAUGHT_MORE_THAN_LOADED = FindingKind(
    code="caught-more-than-loaded",
    severity="serious",
    text=(
        "{channel}: {amount:.3f} kg left although only {load:.3f} kg were loaded: one of the two is wrong, and "
        "CdA and exponent with it. Weigh bucket and load again."
    ),
)
CLOSED_BEFORE_RUN_OUT = FindingKind(
    code="closed-before-run-out",
    severity="note",
    text=(
        "{channel}: the plan runs the tank dry, but the valve closed after {seconds:.1f} s with liquid aboard; "
        "CdA gains by it, the time to depletion is not known."
    ),
)
FLOW_AREA_CREEPS = FindingKind(
    code="flow-area-creeps",
    severity="caution",
    text=(
        "{channel}: by the weighed tank the flow area {way} by {change_percent:.1f} % while the valve stood open "
        "(standard uncertainty {u_percent:.1f} %): a valve that still moves or debris, so one CdA does not "
        "describe this flow; look at the valve's actuator, then repeat."
    ),
)
LET_OFF_IN_STEPS = FindingKind(
    code="let-off-in-steps",
    severity="note",
    text=(
        "{seen}{fits}. Causes of departures are not looked for, since the pressure after the flow tells of them; "
        "hold the tank for some seconds before it is vented."
    ),
)
METER_NOT_AT_ZERO = FindingKind(
    code="meter-not-at-zero",
    severity="caution",
    text=(
        "{channel}: with the valve closed it reads {mean:.4g} {unit}, {explained:.2g} {unit} is explained by its "
        "calibration: liquid already flowed, or its zero moved and its amount with it."
    ),
)
NO_FLOW_FOUND = FindingKind(
    code="no-flow-found",
    severity="serious",
    text=(
        "{channel}: no flow of the {tank_name} tank can be taken from it: {reason}. CdA and exponent are not "
        "known from this sensor."
    ),
)
NO_TANK_PRESSURE = FindingKind(
    code="no-tank-pressure",
    severity="serious",
    text=(
        "{channel}: no calibrated pressure channel of this tank was recorded, so neither CdA nor exponent is "
        "known: name its calibration in the plan, or give a later one with --calibration, and analyse again."
    ),
)
NOT_WEIGHED = FindingKind(
    code="not-weighed",
    severity="caution",
    text=(
        "{channel}: no exponent and no CdA without an amount of liquid, for many pairs of the two draw the same "
        "pressure curve: weigh what was caught or drain and weigh what stayed aboard, add that to the run as a "
        "weighings file and analyse again, or record a flow meter, a weighed tank or a venturi next time."
    ),
)
OPENED_TWICE = FindingKind(
    code="opened-twice",
    severity="serious",
    text=(
        "{seen}. By these pressures {first_fall:.2f} kg left in the first fall and {both:.2f} kg in both, and "
        "{amount:.2f} kg were weighed: the valve opened a second time. No CdA and no exponent is given; {decide}."
    ),
)
OPENED_AGAIN = OPENED_TWICE.worded(
    "{seen}. It fell {share:.2f} times as steeply as the flow made it fall, as by the same valve: it opened a second "
    "time, and the {amount:.2f} kg that were weighed left by both. No CdA and no exponent is given; {decide}."
)
PRESSURE_NOT_HELD = FindingKind(
    code="pressure-not-held",
    severity="caution",
    text=(
        "{channel}: at rest before the opening the pressure {way} by {drift_bar:.3f} bar/s, over the length of "
        "the flow {share_percent:.1f} % of it: {why}."
    ),
)
PRESSURE_UNIT = FindingKind(
    code="pressure-unit",
    severity="serious",
    text=(
        "{channel}: the tank stood at {seen_bar:.2f} bar(g) before the opening, {seen:.3g} times the "
        "{planned_bar:.2f} bar(g) of the plan: {words}. No CdA and no exponent is given; {decide}."
    ),
)
RAN_DRY = FindingKind(
    code="ran-dry",
    severity="caution",
    text=(
        "{channel}: the plan closes the valve early, but gas came through after {seconds:.1f} s of flow{planned}:"
        " when the last liquid left is less sure than a closing, which widens the uncertainty of CdA. Close the "
        "valve earlier or load more, and look whether the load was short."
    ),
)
RAN_TO_RUN_OUT = FindingKind(
    code="ran-to-run-out",
    severity="note",
    text=(
        "{channel}: as planned the flow ran until gas broke through, after {seconds:.1f} s: when the last liquid "
        "left is known to {end_u_ms:.0f} ms (standard uncertainty), which is in that of CdA; a valve closed "
        "earlier would give a surer CdA."
    ),
)
TANK_NOT_KNOWN = FindingKind(
    code="tank-not-known",
    severity="caution",
    text=("{channel}: {words}: {error}."),
)
VALVE_SLOW = FindingKind(
    code="valve-slow",
    severity="note",
    text=(
        "{channel}: the flow counts from {late_ms:.0f} ms {side} the instant at which the pressure broke: a valve"
        " that took long to open, or a wrong mass or ullage volume; CdA takes the whole stroke for full flow, so "
        "open faster, or look at the valve's travel."
    ),
)
WEIGHED_TANK_FEELS_JET = FindingKind(
    code="weighed-tank-feels-jet",
    severity="caution",
    text=(
        "{channel}: the weighed tank's reading stepped by {step:+.3f} kg when the valve opened, {step_u:.3f} kg "
        "is its noise: the cell feels the jet or the pipe; what that may change is in its uncertainty, let the "
        "jet leave across the cell or through a loose hose."
    ),
)
AMOUNT_OUTSIDE_RECORD = AMOUNT_NOT_USABLE.worded(
    "{channel}: too few samples while the valve was open or the bucket at rest, so its amount of liquid is left out.",
    severity="note",
)
AMOUNT_WITHOUT_DIFFERENCE = AMOUNT_NOT_USABLE.worded(
    "{channel}: shows no pressure difference during the flow, so its amount of liquid is left out: look for "
    "swapped or closed sense lines.",
    severity="caution",
)
FIRING_TANK_NOT_KNOWN = TANK_NOT_KNOWN.worded(
    "{channel}: CdA or exponent is not known: {error}",
    severity="note",
)
TANK_NOT_WEIGHED = NOT_WEIGHED.worded(
    "{channel}: no exponent and no CdA without an amount of liquid, and a liquid that boils cannot be caught: weigh "
    "the tank after the flow too, by scale or cell, add that as residual in a weighings file with the boil-off and "
    "analyse again, or record a weighed tank next time."
)
FIRING_NOT_WEIGHED = NOT_WEIGHED.worded(
    "{channel}: what stayed aboard was not weighed, so its expelled mass comes from {known}. Drain, weigh, "
    "and add the weighing to the run; CdA, mixture ratio and specific impulse rest on it.",
    severity="note",
)
FIRING_NO_TANK_PRESSURE = NO_TANK_PRESSURE.worded(
    "{channel}: no pressure sensor of this tank can be believed over the burn, so its CdA and exponent are not known.",
    severity="caution",
)
AMOUNTS_DISAGREE = FindingKind(
    code="amounts-disagree",
    severity="serious",
    text=(
        "{channel}: {apart}, {apart_in_u:.1f} standard uncertainties of the difference ({expected:.0f} may happen): "
        "{fate}. Look for spilt or left liquid, weigh again, check the calibration of meter and scale."
    ),
)
MASS_DOES_NOT_CLOSE = FindingKind(code="mass-does-not-close", severity="serious", text=AMOUNTS_DISAGREE.text)
LIQUID_AS_FLOWED = FindingKind(
    code="liquid-as-flowed",
    severity="note",
    text=(
        "{channel}: by {told_by} the {liquid} flowed at {coldest:.2f} to {warmest:.2f} K, so at {density:.1f} kg/m3 "
        "(standard uncertainty {density_u:.1f}) and a vapour pressure of up to {vapour_bar:.2f} bar(a); {load:.3f} kg "
        "were aboard at the opening, after {held:.0f} s at pressure as far as the record shows."
    ),
)
NO_OUTLET_THERMOMETER = FindingKind(
    code="no-outlet-thermometer",
    severity="caution",
    text=(
        "{channel}: {why}, so the {liquid} may have been at any temperature from {coldest:.2f} to {warmest:.2f} K, "
        "where it boils at tank pressure: {density:.1f} kg/m3 (standard uncertainty {density_u:.1f}), a vapour "
        "pressure of up to {vapour_bar:.2f} bar(a), a cavitation number at the opening of {numbers}; "
        "{load:.3f} kg were aboard then, after {held:.0f} s at pressure as far as the record shows. CdA is as unsure, "
        "and is not carried: declare a temperature of this "
        "tank in the stand and put the thermometer into the liquid at the outlet."
    ),
)
LIQUID_NOT_KNOWN = FindingKind(
    code="liquid-not-known",
    severity="caution",
    text=(
        "{channel}: what state the liquid flowed in is not known: {error}. The plan's density is taken, and nothing "
        "is carried to another run."
    ),
)
MAY_FLASH = FindingKind(
    code="may-flash",
    severity="caution",
    text=(
        "{channel}: the cavitation number fell to {least:.2f} (at the opening {first:.2f}, at the end {last:.2f}), and "
        "below {limit:.2g} holes {inlet} may run partly on vapour: cavitation limits this CdA, which is not carried "
        "alone; hold at least {needed_bar:.1f} bar(a) behind the injector."
    ),
)
FLASHES = MAY_FLASH.worded(
    "{channel}: the vapour pressure, up to {vapour_bar:.2f} bar(a), is above the {behind_bar:.2f} bar(a) behind the "
    "injector (cavitation number down to {least:.2f}; at the opening {first:.2f}, at the end {last:.2f}): the liquid "
    "flashes in the holes, which limits this CdA, so it is not carried alone; hold at least {needed_bar:.1f} bar(a) "
    "behind the injector."
)
NEAR_CAVITATION = MAY_FLASH.worded(
    "{channel}: the cavitation number fell to {least:.2f} (at the opening {first:.2f}, at the end {last:.2f}): holes "
    "{inlet} run full down to {limit:.2g}, which is near.",
    severity="note",
)
BOILS_IN_TANK = FindingKind(
    code="boils-in-tank",
    severity="caution",
    text=(
        "{channel}: the tank fell to {end_bar:.2f} bar(a), below the vapour pressure of up to {vapour_bar:.2f} bar(a): "
        "the liquid boiled aboard and held the pressure up, so its exponent is not that of the gas; load colder, or "
        "close the valve earlier."
    ),
)
TWO_PHASE_END = FindingKind(
    code="two-phase-end",
    severity="note",
    text=(
        "{channel}: after {seconds:.1f} s something other than liquid left, at {end_bar:.2f} bar(a) in the tank and a "
        "vapour pressure of up to {vapour_bar:.2f} bar(a), known to {end_u_ms:.0f} ms (standard uncertainty): of a "
        "boiling liquid that is two-phase flow and no sign that the tank was empty, so no amount is taken from it."
    ),
)
CANNOT_BE_CAUGHT = FindingKind(
    code="cannot-be-caught",
    severity="caution",
    text=(
        "{channel}: {what} is left out, for {liquid} boils away in a bucket and partly in a pipe: weigh the tank "
        "before and after, by scale or cell, and state the boil-off."
    ),
)
LOAD_BOILED_OFF = FindingKind(
    code="load-boiled-off",
    severity="note",
    text=(
        "{channel}: of the load {boiled:.3f} kg (standard uncertainty {boiled_u:.3f}) are taken to have boiled off in "
        "{minutes:.0f} min before the vent was closed, {source}: that leaves {share_percent:.1f} % of the load unsure."
    ),
)
