"""A firing of which nothing may be claimed: no thrust, or a cell that reads the wrong way.

SI; times in seconds after T-0.
"""

from dataclasses import replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.channel_checks.record_gaps import gap_findings, prediction_findings
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.dataset.empty_results import empty_results
from standbook.analysis.findings.firing import CELL_REVERSED, NO_THRUST
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Analysis, Results, Tare
from standbook.analysis.thrust.thrust_record import Span, ThrustRecord
from standbook.analysis.witnesses.verdicts import verdicts
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding, deduplicate


def reversed_firing(
    dataset: Dataset, record: ThrustRecord, span: Span, findings: list[Finding], revision: str, software: str
) -> Analysis:
    """Say that the cell reads the wrong way, and claim nothing."""
    tag = record.cell.tag
    inside = (record.time >= span.start) & (record.time <= span.end)
    mean = float(record.thrust[inside].mean())
    said = CELL_REVERSED.at(tag, span.start, mean=mean)
    results = replace(
        firing_frame(dataset, record, revision, software),
        verdicts=verdicts(dataset, None, None),
        findings=deduplicate([*dataset.findings, said, *findings, *prediction_findings(dataset)]),
    )
    return Analysis(results, {})


def no_thrust(dataset: Dataset, cell: Channel, span: Span, revision: str, software: str) -> Analysis:
    """Say that the cell saw no thrust, and what the chamber saw, and claim nothing."""
    tag = cell.tag
    first, last = float(cell.time[0]), float(cell.time[-1])
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), first, last)
    integrate = "no chamber pressure sensor says whether the engine burned"
    if chamber is not None:
        top = float(np.nanmax(chamber.reading))
        integrate = f"{chamber.tag} reached {top / 1e5:.2f} bar(a)"
    dead = " Not one count changed: cell, plug or converter is dead." if not np.any(np.diff(cell.counts)) else ""
    said = NO_THRUST.at(tag, height=span.height, dead=dead, first=first, last=last, contents=integrate)
    return claims_nothing(dataset, cell, said, revision, software)


def claims_nothing(dataset: Dataset, cell: Channel, said: Finding, revision: str, software: str) -> Analysis:
    """Return results that say one thing and claim nothing."""
    first, last = float(cell.time[0]), float(cell.time[-1])
    results = replace(
        empty_results(dataset, revision, software),
        verdicts=verdicts(dataset, None, None),
        findings=deduplicate(
            [*dataset.findings, said, *gap_findings(dataset, first, last), *prediction_findings(dataset)]
        ),
    )
    return Analysis(results, {})


def firing_frame(dataset: Dataset, record: ThrustRecord, revision: str, software: str) -> Results:
    """Return the results of a firing of which nothing but zeros and health is known yet."""
    zero = record.zero
    before = Measured(zero.before.value, zero.before.u, "N")
    after = Measured(zero.after.value, zero.after.u, "N") if zero.after is not None else None
    drift = None
    if after is not None and (record.weighed or record.sign == 0):
        drift = zero.step - record.sign * record.weight.value / record.factor
    return replace(empty_results(dataset, revision, software), tare={record.cell.tag: Tare(before, after, drift)})
