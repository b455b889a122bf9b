"""Likely causes: of a cold flow, and the assumptions of a firing."""

from standbook.analysis.findings.consequences import EXPONENT, PLACES, READINGS
from standbook.daq.findings.finding import FindingKind

LIKELY_CAUSE = "likely cause"
MOVED_ASSUMPTION = "assumption that moved"
DEPARTURE = "departure from the plan"  # which the ranked causes and assumptions explain
SIDES = ("oxidiser", "fuel")


def _cause(name: str, *, spoils: frozenset[str] = frozenset()) -> FindingKind:
    return FindingKind(
        code=f"cause-{name}",
        severity="caution",
        text="{channel}: likely cause {rank} ({share_percent:.0f} %): {what}: {evidence}. To decide: {decide}.",
        spoils=spoils,
        follows_from=frozenset({PLACES}),
        group=LIKELY_CAUSE,
    )


def _assumption(name: str) -> FindingKind:
    return FindingKind(
        code=f"assumption-{name}",
        severity="note",
        text=(
            "Assumption that best explains the deviation, number {place} of {considered} considered, {standing}: "
            "{what}. To decide: {decide}."
        ),
        follows_from=frozenset({READINGS}),
        group=MOVED_ASSUMPTION,
    )


_EXPONENT = frozenset({EXPONENT})
ULLAGE_LEAK = _cause("ullage-leak", spoils=_EXPONENT)
SUPPLY_LEAKS_IN = _cause("supply-leaks-in", spoils=_EXPONENT)
SUPPLY_OPEN = _cause("supply-open", spoils=_EXPONENT)
TANK_VOLUME = _cause("tank-volume", spoils=_EXPONENT)
LOAD_NOTE = _cause("load-note", spoils=_EXPONENT)
AMOUNT_NOTE = _cause("amount-note", spoils=_EXPONENT)
SENSOR_ZERO = _cause("sensor-zero", spoils=_EXPONENT)
SENSOR_DESCRIBED_ABSOLUTE = _cause("gauge-as-absolute")
SENSOR_GAIN = _cause("sensor-gain")
OTHER_SENSOR = _cause("other-sensor")
GAS_NOT_SETTLED = _cause("gas-not-settled", spoils=_EXPONENT)
COLD_LIQUID = _cause("cold-liquid")
GAS_INGESTION = _cause("gas-pulled-through", spoils=_EXPONENT)
VALVE_CREEPS = _cause("valve-creeps")
SLOW_VALVE = _cause("slow-valve")
AREA_CHANGED = _cause("area-changed")
VALVE_NOT_OPENED = _cause("valve-not-opened")
EXPONENT_MOVED = {side: _assumption(f"exponent-{side}") for side in SIDES}
CDA_MOVED = {side: _assumption(f"cda-{side}") for side in SIDES}
CSTAR_MOVED = _assumption("cstar")
THRUST_COEFFICIENT_MOVED = _assumption("thrust-coefficient")

CAUSE_NOT_KNOWN = FindingKind(
    code="cause-not-known",
    severity="caution",
    follows_from=frozenset({PLACES}),
    group=LIKELY_CAUSE,
    text=(
        "{channel}: none of the {causes} causes on the list explains this flow by itself, though two at once may:"
        " {seen}. Nearest is that {nearest}; check notes, sensors and valves one by one, and repeat the flow."
    ),
)
CAUSE_SENSOR_CLIPPED = FindingKind(
    code="cause-sensor-clipped",
    severity="caution",
    follows_from=frozenset({PLACES}),
    group=LIKELY_CAUSE,
    text=(
        "{channel}: likely cause 1 (99 %): {tag} is clipped: {samples} samples stand on one top code, "
        "{top_bar:.2f} bar(a), until T{time:+.2f} s, so start pressure and opening are hidden, and an exponent "
        "and an opening taken from the rest would be wrong. To decide: {decide}."
    ),
)
NEEDS_EXTERNAL_CHECK = FindingKind(
    code="needs-external-check",
    severity="note",
    text=(
        "{channel}: needs an external check: a span {invisible_gain_percent:g} % high would move CdA by "
        "{by_gain:+.2f} % and leave no trace in this record: set the sensor against a dead-weight tester or a "
        "shunt{clock}; nor would {invisible_back_bar:g} bar more behind the valve than the plan has "
        "({by_back:+.2f} %): look for a hose or a nozzle that throttles."
    ),
)
NOT_DIAGNOSED = FindingKind(
    code="not-diagnosed",
    severity="note",
    text=("{channel}: causes of departures could not be held against each other: {error}."),
)
