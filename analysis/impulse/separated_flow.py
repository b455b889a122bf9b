"""Whether the nozzle flowed full, without which air on its exit is not what thrust lacks of its value in vacuum. SI."""

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.thrust import NOZZLE_NOT_FULL
from standbook.analysis.physics.nozzle_expansion import exit_over_chamber
from standbook.analysis.physics.performance import total_over_reading
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

# Of the air's pressure, at the exit: below it the flow may leave the wall. Summerfield's rule has 0.4, Schmucker's
# (1.88 M - 1)^-0.64, which is 0.43 to 0.45 at exit Mach numbers of 2.5 to 2.4; both from memory.
SEPARATES = 0.45
TELLING = 0.05  # of the impulse; a start and a tail-off are shorter


def separation_findings(dataset: Dataset, record: ThrustRecord, burn: Burn) -> list[Finding]:
    """Say that the value referred to vacuum is an upper bound, where the nozzle was far over-expanded.

    Notes
    -----
    Behind a separation the wall bears nearly the air's pressure on both sides, so that air takes less from the thrust
    than it would from a full nozzle, and less is to be put back.
    """
    engine, ambient = dataset.plan.engine, dataset.plan.site.ambient_pressure.value
    begin, end = burn.span
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    if engine is None or chamber is None:
        return []
    inside = (record.time >= begin) & (record.time <= end) & np.isfinite(record.thrust)
    time, thrust = record.time[inside], record.thrust[inside]
    whole = float(np.sum(thrust))
    full = exit_over_chamber(engine.expansion_ratio.value) * total_over_reading(engine).value
    low = full * np.interp(time, *chamber.known()) < SEPARATES * ambient
    if not low.any() or whole <= 0.0:
        return []
    share = float(np.sum(thrust[low])) / whole
    if share <= TELLING:
        return []
    return [
        NOZZLE_NOT_FULL.at(
            chamber.tag,
            share_percent=100.0 * share,
            separates_percent=100.0 * SEPARATES,
            least_bar=SEPARATES * ambient / full / 1e5,
            expansion_ratio=engine.expansion_ratio.value,
        )
    ]
