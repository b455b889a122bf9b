"""What limits the flow of a boiling liquid: vapour in the holes, boiling aboard, two phases at the end.

SI, absolute pressures; times in seconds after T-0; sentences show bar and seconds.
"""

from standbook.analysis.cold_flow.boiling_liquid import LiquidState
from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import BOILS_IN_TANK, FLASHES, MAY_FLASH, NEAR_CAVITATION, TWO_PHASE_END
from standbook.analysis.prediction import cavitation
from standbook.daq.findings.finding import Finding


def boiling_findings(dataset: Dataset, side: FlowSide, state: LiquidState | None) -> list[Finding]:
    """Hold a flow's pressures against the vapour pressure of its liquid; nothing where that is not known."""
    start, end = side.result.start_pressure, side.result.end_pressure
    if state is None or start is None or end is None:
        return []
    if not state.told_by:  # over the whole range any liquid may flash, as that finding says
        return _two_phases(side, state, end.value)
    return [
        *_cavitation(dataset, side, state, (start.value, end.value)),
        *_aboard(side, state, end.value),
        *_two_phases(side, state, end.value),
    ]


def _cavitation(dataset: Dataset, side: FlowSide, state: LiquidState, pressures: tuple[float, float]) -> list[Finding]:
    """Say where the holes may have run on vapour, or nearly did."""
    behind, vapour, rounding = dataset.plan.back_pressure().value, state.vapour_pressure, side.tank.inlet_rounding
    if min(pressures) <= behind:
        return []
    first, last = (cavitation.cavitation_number(pressure, behind, vapour) for pressure in pressures)
    least, limit = min(first, last), cavitation.least_full(rounding)
    if least >= cavitation.FULL:
        return []
    kind = NEAR_CAVITATION
    if least < limit:
        kind = FLASHES if vapour > behind else MAY_FLASH
    return [
        kind.at(
            side.tank.name,
            least=least,
            first=first,
            last=last,
            limit=limit,
            inlet=cavitation.inlet_words(rounding),
            vapour_bar=vapour / 1e5,
            behind_bar=behind / 1e5,
            needed_bar=cavitation.back_pressure_needed(max(pressures), vapour) / 1e5,
        )
    ]


def _aboard(side: FlowSide, state: LiquidState, end: float) -> list[Finding]:
    """Say where the tank fell below the vapour pressure."""
    if end >= state.vapour_pressure:
        return []
    at = side.instants.end.time
    return [BOILS_IN_TANK.at(side.tank.name, at, end_bar=end / 1e5, vapour_bar=state.vapour_pressure / 1e5)]


def _two_phases(side: FlowSide, state: LiquidState, end: float) -> list[Finding]:
    instants = side.instants
    if not instants.ran_dry:
        return []
    return [
        TWO_PHASE_END.at(
            side.tank.name,
            instants.end.time,
            seconds=instants.end.time - instants.opening.time,
            end_bar=end / 1e5,
            vapour_bar=state.vapour_pressure / 1e5,
            end_u_ms=1000.0 * instants.end.u,
        )
    ]
