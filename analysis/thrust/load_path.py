"""What is known of the way from thrust to cell: stand factor and hose load, and how far the pull reached. SI.

Both are calibration data with their own uncertainty and stand in the impulse's budget; what was never measured is
said, since no number can be put to it from the record alone.
"""

import numpy as np

from standbook.analysis.results.firing_results import LoadPath
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Finding
from standbook.analysis.thrust.thrust_record import ThrustRecord

REACHED = 0.5  # of the greatest thrust or hose pressure; a pull below it is carried far
USUAL_HOSES = "some tenths of a percent to two percent"  # judgement, from simulated stands


def load_path(record: ThrustRecord) -> LoadPath:
    """Return factor and hose load as they entered the impulse."""
    c = record.cell.calibration.stand_interaction
    return LoadPath(
        Measured(c.factor.value, c.factor.u, "1"),
        Measured(c.line_load.value, c.line_load.u, "N/Pa"),
        len(c.pull),
        max((point.reference.value for point in c.pull), default=None),
        max((point.line.value for point in c.pull), default=None),
    )


def load_path_findings(record: ThrustRecord) -> list[Finding]:
    """Say what of the load path was not measured, or measured far from where the firing was."""
    tag, c = record.cell.tag, record.cell.calibration.stand_interaction
    if not c.known:
        return [
            Finding(
                "load-path-not-measured",
                "note",
                tag,
                None,
                f"{tag}: its calibration has no [stand_interaction], so hoses and flexures beside the cell are taken "
                f"to carry nothing; they usually carry {USUAL_HOSES} of the thrust, and none of it is in the budget. "
                "Pull the stand against a reference cell, hoses connected and pressurised.",
            )
        ]
    path, said = load_path(record), []
    greatest, hoses = float(np.max(record.thrust)), float(np.max(np.abs(record.hose_pressure)))
    if path.highest_force is not None and path.highest_force < REACHED * greatest:
        said.append(
            Finding(
                "pull-too-low",
                "note",
                tag,
                None,
                f"{tag}: the in-place pull went to {path.highest_force:,.0f} N, the firing to {greatest:,.0f} N; the "
                "stand factor is carried beyond it. Pull at least to half of the greatest thrust.",
            )
        )
    if path.highest_line is not None and hoses > 1e5 and path.highest_line < REACHED * hoses:
        said.append(
            Finding(
                "pull-without-pressure",
                "note",
                tag,
                None,
                f"{tag}: lines were at {path.highest_line / 1e5:.1f} bar(g) in the in-place pull, and "
                f"changed by {hoses / 1e5:.1f} bar in the firing; what hoses push and shunt grows with pressure, so "
                "pull with lines pressurised.",
            )
        )
    return said
