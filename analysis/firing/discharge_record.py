"""One side of a firing as the discharge that CdA and exponent are taken from.

SI, absolute pressures; times in seconds after T-0. When each side began and ended is found in
`thrust.tank_flows`.
"""

import math
from dataclasses import replace

import numpy as np

from standbook.analysis.blowdown.amounts import FILM, Amount
from standbook.analysis.blowdown.liquid_column import head_of
from standbook.analysis.blowdown.record import DischargeRecord, NoteUncertainties, SensorUncertainties, sensor_terms
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.performance import face_over_reading
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.signal.valve_events import Event
from standbook.analysis.thrust.run_out import FADES, FALLEN, HINGE_BLOCK
from standbook.analysis.thrust.tank_flows import FIRST, STROKE, TankFlow
from standbook.daq.errors import DataError

CHAMBER_U = 0.03  # s; the chamber's filling and emptying bends the tank pressure beside valve and run-out


def flow_record(dataset: Dataset, flow: TankFlow) -> tuple[DischargeRecord, SensorUncertainties, NoteUncertainties]:
    """Write one side as the discharge that CdA and exponent are taken from.

    Raises
    ------
    DataError
        No chamber pressure, so that nothing is known of what the liquid flowed against.
    """
    if flow.chamber is None:
        raise DataError(f"{flow.tank.name}: no chamber pressure can be believed, so the pressure drop is not known")
    plan, tank = dataset.plan, flow.tank
    ambient = plan.site.ambient_pressure
    density, volume, load = tank.liquid_density, tank.internal_volume, tank.liquid_load
    good = np.isfinite(flow.channel.reading)
    at, mean = flow.chamber.known()
    amounts, end = _amounts(dataset, flow), _effective_end(flow)
    face = face_over_reading(plan.engine)
    record = DischargeRecord(
        time=flow.channel.time[good],
        pressure=flow.channel.reading[good],
        back_pressure=face.value * np.interp(flow.channel.time[good], at, mean),
        density=density.value,
        opening_time=flow.opening.time,
        end_time=end.time,
        law_end=end.time - flow.fading if flow.own_end and flow.fading > 0.0 else None,
        ullage_volume=tank.ullage_volume,
        expelled_mass=flow.expelled.value if flow.expelled else None,
        head=head_of(plan, tank),
        stroke=STROKE,
        amounts=amounts,
        weights=tuple(1.0 for _ in amounts),
    )
    chamber = sensor_terms(flow.chamber, ambient)
    notes = NoteUncertainties(
        ullage_volume_u=volume.u,
        load_u=load.u,
        load=load.value,
        density_u=density.u,
        ambient_u=ambient.u,
        back=replace(chamber, gain_u=math.hypot(chamber.gain_u, face.u / face.value)),
        free_jet=flow.chamber.calibration.reference == "gauge",  # its reading moves with the barometer
        clock_u=dataset.clock_u,
        opening_u=math.hypot(flow.opening.u, _late_u(flow) if flow.own_end else CHAMBER_U),
        end_u=end.u if flow.own_end else math.hypot(end.u, CHAMBER_U),
    )
    return record, sensor_terms(flow.channel, ambient), notes


def _late_u(flow: TankFlow) -> float:
    """Return what the sensors' lag leaves open of an opening, as liquid leaves before ignition. [s]."""
    flowing = flow.rate[flow.rate > 0.0]
    if flow.chamber is None or not flowing.size:
        return 0.0
    late = math.hypot(flow.channel.latency_u, flow.chamber.latency_u)
    return late * flow.cold_excess / float(np.median(flowing[:FIRST]))


def _effective_end(flow: TankFlow) -> Event:
    """Return when all liquid would have gone at full flow: the last of a dry tank's leaves together with the gas.

    Midway between the first gas and the chamber's fall; within the middle half of that, however the flow fades.
    """
    if flow.own_end or not flow.ran_dry or flow.chamber is None:
        return flow.end
    time, pressure = flow.chamber.known()
    before = (time >= flow.end.time - 0.5) & (time <= flow.end.time)
    after = (time > flow.end.time) & (time <= flow.end.time + 1.0)
    if np.count_nonzero(before) < 4 or np.count_nonzero(after) < 4:
        return flow.end
    level = float(np.median(pressure[before]))
    fallen = np.flatnonzero(running_mean(time[after], pressure[after], 4.0 * HINGE_BLOCK) < FALLEN * level)
    width = float(time[after][fallen[0]]) - flow.end.time if fallen.size else FADES
    u = math.hypot(flow.end.u, 0.25 * width / math.sqrt(3.0))
    return replace(flow.end, time=flow.end.time + 0.5 * width, u=u)


def _amounts(dataset: Dataset, flow: TankFlow) -> tuple[Amount, ...]:
    """Return the one mass of a side; one that counts from the load moves together with the ullage above it."""
    if flow.expelled is None:
        return ()
    weighing, load_u = dataset.weighings.get(flow.tank.name), flow.tank.liquid_load.u
    by_load = flow.ran_dry
    if flow.weighed and weighing is not None:
        by_load = weighing.expelled is None and weighing.residual is not None
    own = math.sqrt(max(flow.expelled.u**2 - load_u**2, 0.0)) if by_load else flow.expelled.u
    words = "the load less what stayed aboard" if by_load else "the expelled mass"
    film = {"film after run-out": FILM * flow.tank.liquid_load.value} if flow.ended_by_gas else {}
    terms = {"expelled mass": own, **film}
    return (Amount(name="expelled", words=words, mass=flow.expelled.value, terms=terms, by_load=float(by_load)),)
