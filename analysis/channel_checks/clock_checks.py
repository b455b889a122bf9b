"""What a wrong device clock would have done to the numbers, once it has been corrected.

SI; times in seconds after T-0. The rate itself is found when a run is sealed, from arrivals at the computer.
"""

from standbook.analysis.dataset.dataset import Channel, Dataset
from standbook.analysis.findings.channels import CLOCK_CORRECTED
from standbook.analysis.results.results import ImpulseResult
from standbook.daq.findings.finding import Finding

TELLING = 2.0  # standard uncertainties of the rate
WORTH = 2e-4  # relative rate; a crystal stays within it and is corrected without a word


def clock_findings(dataset: Dataset, cell: Channel, impulse: ImpulseResult | None) -> list[Finding]:
    """Say by how much the board's clock was off and what correcting it moved total impulse by."""
    health = dataset.record.get(cell.stream)
    rate = health.clock_ppm if health is not None else None
    if rate is None or abs(rate.value) <= max(TELLING * rate.u, 1e6 * WORTH):
        return []
    relative = 1e-6 * rate.value
    minutes = float(cell.time[-1] - cell.time[0]) / 60.0
    moved = "" if impulse is None else f": {-relative * impulse.value:+,.0f} N*s of total impulse"
    return [
        CLOCK_CORRECTED.at(
            None,
            stream=cell.stream,
            rate_percent=100.0 * abs(relative),
            direction="slow" if relative < 0 else "fast",
            rate=rate.value,
            rate_u=rate.u,
            minutes=minutes,
            moved=moved,
        )
    ]
