"""What the crew did around a firing: a T-0 that cannot be, propellants that passed unburned, loads that are no thrust.

SI, absolute pressures; times in seconds after T-0.
"""

from dataclasses import replace

import numpy as np

from standbook.analysis.dataset.dataset import Channel, Dataset
from standbook.analysis.results.results import Finding
from standbook.analysis.thrust.chamber_pressure import CHOKED
from standbook.analysis.thrust.thrust_record import Span, ThrustRecord
from standbook.daq.config import measurands

EARLY = 0.5  # s; thrust that is up so long before T-0 was not begun by it
COLD_SHARE = 1.5  # of the weight of all liquid; a greater load on the cell is thrust, whatever the chamber says


def with_credible_t_zero(dataset: Dataset, span: Span) -> Dataset:
    """Leave out a T-0 that lies within the thrust: no impulse needs it, and all searches would start from it."""
    if dataset.t_zero is None or span.up_at_first_sample or span.reversed:
        return dataset
    if not (span.start < -EARLY and span.end > 0.0):
        return dataset
    said = Finding(
        "t-zero-in-burn",
        "caution",
        None,
        span.start,
        f"Thrust was up {-span.start:.2f} s before T-0 ({dataset.t_zero.source}): that instant is not the fire "
        "command. It is left out: times still count from it, but nothing is searched from there, and there is no "
        "delay and no comparison with a prediction. Look at the line or the instant that T-0 is taken from.",
    )
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
    return Finding(
        "no-ignition",
        "serious",
        cell.tag,
        span.start,
        f"No ignition: {seen}, and {cell.tag} moved by {span.height:,.0f} N, no more than the {weight:,.0f} N that all "
        "propellant weighs. Propellant passed unburned, or the zero moved; no impulse is given. After a misfire keep "
        "away for the waiting time: unburned propellant may lie in chamber and stand. Valve, igniter and chamber "
        "traces around the fire command say what failed.",
    )


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
        Finding(
            "loaded-besides",
            "note" if known else "serious",
            tag,
            begin,
            f"{tag}: it was loaded {'once' if len(span.others) == 1 else f'{len(span.others)} times'} besides the "
            f"burn, first from T{begin:+.1f} s to T{end:+.1f} s; {why}.",
        )
    ]
