"""CdA from the weighed liquid and the pressure that drove it, without any assumption about the gas.

SI, absolute pressures. Neither exponent nor ullage volume enters.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.blowdown.record import (
    AveragedDischarge,
    DischargeRecord,
    NoteUncertainties,
    SensorUncertainties,
    averaged_flow,
    static_pressure,
    thinned,
)
from standbook.analysis.blowdown.shifted_flows import changes, ranked
from standbook.analysis.findings.discharge import FLOW_RAN_TO_KNEE, PRESSURE_SPIKES
from standbook.analysis.results.results import BudgetTerm
from standbook.analysis.signal.windows import Window
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

RUN_OUT_BIAS = 0.005  # relative; simulated real-gas flows run to the knee came out +0.5 +- 0.3 % high
MANY_SPIKES = 0.002  # share of the samples, above it the record deserves a word


@dataclass(frozen=True, slots=True, kw_only=True)
class DirectCda:
    """CdA of one discharge."""

    cda: float  # m²
    u: float  # standard uncertainty [m²]
    budget: tuple[BudgetTerm, ...]  # by source, largest first [m²]
    drive_integral: float  # of sqrt(driving pressure) over the flow [Pa^½ s]
    window: Window
    expelled_mass: float  # kg
    findings: tuple[Finding, ...]


def direct_cda(
    record: DischargeRecord,
    *,
    sensor: SensorUncertainties,
    notes: NoteUncertainties,
    flow: AveragedDischarge | None = None,
    channel: str | None = None,
) -> DirectCda:
    r"""Compute CdA from the weighed liquid.

    Parameters
    ----------
    record : FlowRecord
        Samples, instants and the weighed mass; a back pressure that varies, as in a firing, is fine.
    sensor, notes : SensorTerms, NoteTerms
        What is uncertain.
    flow : AveragedDischarge, optional
        The record averaged over its flow, when it is already known.
    channel : str, optional
        Named in findings.

    Raises
    ------
    DataError
        No weighed mass, too few samples, or nothing that drives the liquid.

    Notes
    -----
    :math:`C_dA = m / (\sqrt{2\rho} \int \sqrt{P - P_d + \rho g h}\, dt)` between the mid-strokes of opening and
    closing: a stroke with flow area linear in time passes as much as a sudden one at its middle. A flow run to
    the knee ends in gas and liquid together; its bias is stated and added to the uncertainty, not removed.
    """
    mass = record.expelled_mass
    if mass is None or not mass > 0.0:
        raise DataError(f"expelled mass is {mass!r} kg: CdA needs an amount; add a weighing or a flow meter")
    record = thinned(record)
    flow = flow or averaged_flow(record)

    def estimate(of: AveragedDischarge) -> Array:
        return np.array([of.cda()])

    cda = float(estimate(flow)[0])
    shares = {source: abs(float(change[0])) for source, change in changes(estimate, flow, sensor, notes).items()}
    shares["noise"] = cda * _noise_share(record, flow)
    findings: list[Finding] = []
    if record.ran_dry:
        shares["run-out"] = RUN_OUT_BIAS * cda
        findings.append(FLOW_RAN_TO_KNEE.at(channel, record.end_time, run_out_bias_percent=100 * RUN_OUT_BIAS))
    if flow.removed > MANY_SPIKES * float(flow.count.sum()):
        findings.append(
            PRESSURE_SPIKES.at(
                channel, record.opening_time, removed=flow.removed, samples=int(flow.count.sum()) + flow.removed
            )
        )
    return DirectCda(
        cda=cda,
        u=math.sqrt(sum(u * u for u in shares.values())),
        budget=ranked(shares),
        drive_integral=flow.drive_integral()[0],
        window=Window(record.opening_time, record.end_time),
        expelled_mass=mass,
        findings=tuple(findings),
    )


def _noise_share(record: DischargeRecord, flow: AveragedDischarge) -> float:
    """Return the relative uncertainty of the drive integral from noise, zero where none can be measured."""
    try:
        static = static_pressure(record)
    except DataError:
        deviation, tau = float(np.std(np.diff(flow.pressure, 3)) / math.sqrt(20.0)), 1.0
        number = float(flow.time.size)
    else:
        deviation, tau, number = static.deviation, static.correlation_time, float(flow.count.sum())
    drive = np.maximum(flow.pressure - flow.back_pressure, 0.0)
    mean_root, mean_inverse = float(np.mean(np.sqrt(drive))), float(np.mean(1.0 / np.maximum(drive, 1.0)))
    return 0.5 * deviation * math.sqrt(tau / number * mean_inverse) / mean_root
