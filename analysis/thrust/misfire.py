"""What the crew did around a firing: a T-0 that cannot be, propellants that passed unburned, loads that are no thrust.

SI, absolute pressures; times in seconds after T-0.
"""

from dataclasses import replace

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.thrust import LOADED_BESIDES, NO_IGNITION, T_ZERO_IN_BURN
from standbook.analysis.thrust.chamber_pressure import CHOKED
from standbook.analysis.thrust.thrust_record import Span, ThrustRecord
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

EARLY = 0.5  # s; thrust that is up so long before T-0 was not begun by it
COLD_SHARE = 1.5  # of the weight of all liquid; a greater load on the cell is thrust, whatever the chamber says


def with_credible_t_zero(dataset: Dataset, span: Span) -> Dataset:
    """Leave out a T-0 that lies within the thrust: no impulse needs it, and all searches would start from it."""
    if dataset.t_zero is None or span.up_at_first_sample or span.reversed:
        return dataset
    if not (span.start < -EARLY and span.end > 0.0):
        return dataset
    said = T_ZERO_IN_BURN.at(None, span.start, start=-span.start, source=dataset.t_zero.source)
    return replace(dataset, t_zero=None, prediction=None, findings=(*dataset.findings, said))


def cold_pass(dataset: Dataset, cell: Channel, span: Span) -> Finding | None:
    """Say that the cell felt no more than propellant leaving while no chamber burned; ``None`` if one did."""
    ambient = dataset.plan.site.ambient_pressure.value
    begin, end = min(0.0, span.start) - 1.0, span.end + 1.0
    greatest: dict[str, float] = {}
    for channel in dataset.measuring(measurands.CHAMBER_PRESSURE):
        inside = (channel.time >= begin) & (channel.time <= end) & np.isfinite(channel.reading)
        if np.count_nonzero(inside) >= 8:
            greatest[channel.tag] = float(np.quantile(channel.reading[inside], 0.99))
    weight = sum(tank.liquid_load.value for tank in dataset.plan.tank) * dataset.plan.site.gravity.value
    if span.height > COLD_SHARE * weight or max(greatest.values(), default=0.0) > CHOKED * ambient:
        return None
    if not greatest and not span.still_up_at_end:
        return None
    seen = " and ".join(f"{tag} never rose above {top / 1e5:.2f} bar(a)" for tag, top in greatest.items())
    seen = seen or "what the cell felt did not end with the flow"
    return NO_IGNITION.at(cell.tag, span.start, seen=seen, height=span.height, weight=weight)


def extraneous_loads(record: ThrustRecord, span: Span, *, known: bool) -> list[Finding]:
    """Say that the cell was loaded at another time too; ``known``: the chamber says that this was no thrust."""
    if not span.others:
        return []
    begin, end = span.others[0]
    tag = record.cell.tag
    if known:
        why = "the chamber did not burn then: a check weight, a pull or a person at the stand. It is not counted"
    else:
        why = (
            "no chamber pressure says whether that was thrust, and it is not counted. If it was, the impulse is too "
            "small: import or record each firing by itself, or add a chamber sensor"
        )
    return [
        LOADED_BESIDES.at(
            tag,
            begin,
            severity="note" if known else "serious",
            times="once" if len(span.others) == 1 else f"{len(span.others)} times",
            end=end,
            why=why,
        )
    ]
