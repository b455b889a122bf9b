"""The instants of a firing, and what taking the leaving weight out did to its impulse.

SI; times in seconds after T-0.
"""

from collections.abc import Mapping

from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.impulse import IntegratedRecord, integrate
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import EventResult, WeightCorrection
from standbook.analysis.thrust.burn import Burn, beside_gap
from standbook.analysis.thrust.tank_flows import SECOND_RUN_OUT, TankFlow
from standbook.analysis.thrust.thrust_record import ThrustRecord

VALVE_LOOK = 0.5  # s beside an opening that its two pieces are fitted to; with a gap there they show the gap


def firing_events(
    dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow]
) -> tuple[EventResult, ...]:
    """List the instants of a firing, in order of time."""
    found = []
    if dataset.t_zero is not None:
        found.append(EventResult("T-0", 0.0, dataset.t_zero.u, dataset.t_zero.source))
    for name, event in (("thrust start", burn.start), ("thrust stop", burn.stop)):
        if event is not None:
            found.append(EventResult(name, event.time, event.u, event.method))
    found.append(EventResult("end of thrust", burn.thrust_end, 0.05, "first quiet mean over one stand-mode period"))
    for name, flow in flows.items():
        if not beside_gap(record, flow.opening, within=VALVE_LOOK):
            found.append(EventResult(f"{name} valve open", flow.opening.time, flow.opening.u, flow.opening.method))
        end = f"{name} run-out" if flow.ran_dry or flow.end.name == SECOND_RUN_OUT else f"{name} valve closed"
        found.append(EventResult(end, flow.end.time, flow.end.u, flow.end.method))
    return tuple(sorted(found, key=lambda event: event.time))


def weight_correction(record: ThrustRecord, burn: Burn) -> WeightCorrection:
    """Tell what taking the ramp out moved the impulse by: against the first zero alone."""
    ramp: IntegratedRecord = integrate(record.time, record.zero.step * record.zero.share, interval=record.interval)
    moved = -record.factor * ramp.between(burn.window.start, burn.window.end)
    mass = Measured(record.weight.value / record.weight_per_mass, record.weight.u / record.weight_per_mass, "kg")
    return WeightCorrection(record.sign != 0, record.sign, mass, moved)
