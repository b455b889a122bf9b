"""A pressure hold, from its dataset to results: one verdict a tank, and nothing that it does not show.

SI, absolute pressures; times in seconds after T-0, or after the first row where there is none.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import channel_findings
from standbook.analysis.channel_checks.record_gaps import gap_findings
from standbook.analysis.channel_checks.redundant_sensors import pair_findings
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.dataset.empty_results import empty_results
from standbook.analysis.findings.channels import NO_T_ZERO
from standbook.analysis.findings.discharge import HOLD_LEAKS, HOLD_NOT_SHOWN, HOLD_UNDECIDED
from standbook.analysis.pressure_hold.tank_hold import tank_hold
from standbook.analysis.results.curves import Curve, envelope
from standbook.analysis.results.hold_results import HoldResult
from standbook.analysis.results.results import Analysis, Window
from standbook.daq.config import measurands
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding, deduplicate

DRAWN = 600  # points of a curve


def analyse_pressure_hold(dataset: Dataset, *, revision: str = "A", software: str = "") -> Analysis:
    """Analyse a hold; a tank whose record cannot answer is named, and the others stand."""
    holds: dict[str, HoldResult] = {}
    said: list[Finding] = []
    for tank in dataset.plan.tank:
        try:
            holds[tank.name] = tank_hold(dataset, tank)
        except DataError as error:
            said.append(HOLD_NOT_SHOWN.at(tank.name, why=str(error)))
            continue
        said += _verdict(tank.name, holds[tank.name])
    window = _window(holds)
    if window is not None:
        said += [*channel_findings(dataset, window.start, window.end), *gap_findings(dataset, window.start, window.end)]
        said += pair_findings(dataset, window.start, window.end)
    results = replace(
        empty_results(dataset, revision, software),
        window=window,
        holds=holds,
        findings=deduplicate([*_of_record(dataset), *said]),
    )
    return Analysis(results, _curves(dataset, holds))


def _of_record(dataset: Dataset) -> list[Finding]:
    """Return what the record gives to say; a hold has no T-0 and needs none."""
    return [finding for finding in dataset.findings if not finding.of(NO_T_ZERO)]


def _verdict(tank: str, hold: HoldResult) -> list[Finding]:
    if hold.says in ("leaks, more", "supply leaks in"):
        return [HOLD_LEAKS.at(tank, sentence=hold.sentence)]
    return [HOLD_UNDECIDED.at(tank, sentence=hold.sentence)] if hold.says == "cannot tell" else []


def _window(holds: Mapping[str, HoldResult]) -> Window | None:
    if not holds:
        return None
    return Window(min(hold.window[0] for hold in holds.values()), max(hold.window[1] for hold in holds.values()))


def _curves(dataset: Dataset, holds: Mapping[str, HoldResult]) -> dict[str, Curve]:
    """Return each tank's pressure, thinned for drawing."""
    curves = {}
    for tank in holds:
        channel = dataset.first(measurands.TANK_PRESSURE, tank)
        if channel is not None:
            time, low, mean, high = envelope(*channel.known(), DRAWN)
            columns = {"minimum": low, "mean": mean, "maximum": high}
            curves[measurands.of_tank(measurands.TANK_PRESSURE, tank)] = Curve(np.asarray(time), columns, "Pa")
    return curves
