"""What is missing beside a run's channels: rows of the record, and a prediction to hold it against.

Times in seconds after T-0.
"""

from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import DEVICE_RESTARTED, GAP, NO_PREDICTION, POSTDICTION, ROWS_LOST
from standbook.daq.findings.finding import Finding

BRIDGED_SHARE = 0.15  # of a flow: fewer rows lost move its numbers by little


def gap_findings(
    dataset: Dataset, start: float, end: float, *, part: str = "burn", bridged: bool = False
) -> list[Finding]:
    """Report lost rows and resets, those between two instants as cautions.

    ``bridged`` says that what lies between runs smoothly across gaps and no end lies in one, so that few are a note.
    """
    said: list[Finding] = []
    for key, health in dataset.record.items():
        inside = [gap for gap in health.gaps if gap.end > start and gap.start < end]
        if inside:
            seconds = sum(gap.seconds for gap in inside)
            smooth = bridged and seconds < BRIDGED_SHARE * (end - start)
            said.append(
                GAP.at(
                    None,
                    inside[0].start,
                    severity="note" if smooth else "caution",
                    key=key,
                    number=len(inside),
                    plural="s" if len(inside) > 1 else "",
                    part=part,
                    seconds=seconds,
                )
            )
        elif health.lost_rows:
            said.append(ROWS_LOST.at(None, key=key, lost_rows=health.lost_rows, part=part))
        if health.boots > 1:
            said.append(DEVICE_RESTARTED.at(None, key=key, boots=health.boots))
    return said


def prediction_findings(dataset: Dataset) -> list[Finding]:
    """Say where there is no prediction, or none that was locked before T-0."""
    if dataset.prediction is None:
        return [NO_PREDICTION.at(None)]
    if dataset.prediction_status == "postdiction":
        return [POSTDICTION.at(None)]
    return []
