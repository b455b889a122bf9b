"""Say what plans expect of a sensor, and hold it against the range that it is calibrated over. SI."""

import numpy as np

from standbook.analysis.dataset.summed_cells import IN_SUM
from standbook.analysis.findings.prediction import LITTLE_OF_RANGE, NEARLY_ALL_OF_RANGE
from standbook.analysis.prediction.predict_firing import greatest_of_firing
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.stand_checks.link_budget import LEAST_RANGE, MOST_RANGE
from standbook.daq.config import measurands
from standbook.daq.config.campaign import Campaign
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Input, Stand
from standbook.daq.findings.finding import Finding

ZERO_MATTERS = 0.005  # of the greatest reading: a zero that is known no better costs the objective; judgement


def range_findings(campaign: Campaign, prediction: Prediction) -> tuple[Finding, ...]:
    """Say which sensors use little or nearly all of their range.

    Notes
    -----
    40 to 75 % of full scale is where trade practice puts the greatest expected reading (common practice, no source):
    below it the zero alone is a large part, above it a start that overshoots is cut off.
    """
    said = []
    for item in campaign.stand.input:
        c = campaign.calibrations.get(item.tag)
        band = prediction.quantities.get(measurands.of_tank(item.measures, item.tank))
        if c is None or band is None or c.dimension not in ("pressure", "force"):
            continue
        air = campaign.plan.site.ambient_pressure.value if c.reference == "gauge" else 0.0
        nominal = float(np.nanmax(np.asarray(band.nominal))) - air
        top = c.highest * c.scale
        share, zero = nominal / top, c.scale * c.zero_uncertainty / nominal if nominal > 0.0 else 0.0
        if share > MOST_RANGE:
            said.append(NEARLY_ALL_OF_RANGE.at(item.tag, share_percent=100.0 * share))
        elif share < LEAST_RANGE and zero > ZERO_MATTERS:
            said.append(LITTLE_OF_RANGE.at(item.tag, share_percent=100.0 * share, zero_percent=100.0 * zero))
    return tuple(said)


def greatest_expected(plan: Plan, stand: Stand, item: Input) -> float | None:
    """Return the greatest reading that a plan expects of an input: stated for a tank, else of the firing as planned.

    Parameters
    ----------
    plan, stand : Plan, Stand
        A plan of this stand; its calibrations are not asked for.
    item : Input
        Of the stand. Cells that are summed carry the thrust in equal shares.

    Returns
    -------
    float or None
        SI, pressures absolute; ``None`` where the plan says nothing of it.

    Raises
    ------
    ConfigError, DataError
        The plan cannot be worked out.
    """
    if item.measures == measurands.TANK_PRESSURE:
        return max((plan.start_pressure(t).value for t in plan.tank if t.name == item.tank), default=None)
    if plan.engine is None or item.measures not in (measurands.THRUST, measurands.CHAMBER_PRESSURE):
        return None
    greatest = greatest_of_firing(plan)[item.measures]
    summed = sum(cell.share == IN_SUM for cell in stand.measuring(measurands.THRUST))
    return greatest / summed if item.share == IN_SUM else greatest
