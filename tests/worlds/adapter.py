"""From a case of the second world to what the program takes: plan, stand, calibrations, dataset.

The only module here that knows the program's types. Notes are written out as a crew would type them, with units.
"""

import dataclasses
import datetime as dt
import math

import numpy as np

from standbook.analysis.dataset.dataset import LineEdge, RawStream, Weighing, dataset_from_counts
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import TZero
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.config.stand import Stand
from tests.worlds.engine import IDEAL, RATIOS
from tests.worlds.scales import shown

T_ZERO = TZero("2031-06-14T15:02:11.000000000Z", "command rising, sampled edge", 3e-4)


def flow_dataset(case, *, clock="fitted"):
    """Return the dataset of a cold flow; ``clock`` as :func:`row_times` takes it."""
    return dataset(case, flow_plan(case), bench(case), flow_weighings(case), clock=clock)


def firing_dataset(case, *, clock="fitted", prediction=None):
    """Return the dataset of a firing; ``clock`` as :func:`row_times` takes it."""
    notes = case.notes
    stand = bench(
        case,
        nozzle=notes.nozzle,
        tanks_on_cell=True,
        moving_mass=f"{notes.moving_mass} kg",
        modes=tuple(f"{mode} Hz" for mode in notes.modes),
        rated_load=f"{case.channels[0].highest} N",
    )
    density = {note.name: note.density.value for note in notes.tanks}
    weighings = {name: Weighing(residual=shown_mass(noted, density[name], notes)) for name, noted in notes.left.items()}
    return dataset(case, firing_plan(case), stand, weighings, clock=clock, prediction=prediction)


def firing_plan(case):
    """Return the plan of a firing."""
    notes = case.notes
    test = {"number": "HF-1", "kind": "static fire", "stand": "bench", "article": "engine", "objective": "impulse"}
    engine = {
        "throat_diameter": typed(notes.throat_diameter, "mm", 1e3),
        "expansion_ratio": typed(notes.expansion, ""),
        "cstar_table": tuple((ratio, f"{speed} m/s") for ratio, speed in zip(RATIOS, IDEAL, strict=True)),
        "cstar_efficiency": typed(notes.cstar_efficiency, ""),
        "vacuum_thrust_coefficient": "1.595",
        "thrust_coefficient_efficiency": typed(notes.coefficient_efficiency, ""),
    }
    if notes.chamber is not None:
        engine |= {
            "contraction_ratio": f"{notes.chamber.width:.2f}",
            "chamber_tap": notes.chamber.tap,
            "throat_material": "copper",
        }
    return Plan.model_validate(
        {
            "test": {**test, "t_zero": "box fire rising", "minimum_data": tuple(n.tag for n in case.channels)},
            "site": site_table(notes),
            "engine": engine,
            "tank": tuple(tank_table(note, notes) for note in notes.tanks),
            "impulse_class": {"limit": f"{notes.limit} N*s", "limit_name": "limit of the second world"},
        }
    )


def interaction(case):
    """Return the load path as noted."""
    notes = case.notes
    return {
        "factor": typed(notes.factor, ""),
        "line_load": typed(notes.line_load, "N/bar", 1e5),
        "alignment": f"{100.0 * notes.alignment} %",
    }


def dataset(case, plan, stand, weighings, *, clock="fitted", prediction=None):
    """Return the dataset of any case."""
    return dataset_from_counts(
        plan,
        stand,
        calibrations(case),
        {"box/fast": RawStream(row_times(case, clock), dict(case.counts), rails(case))},
        t_zero=T_ZERO,
        weighings=weighings,
        prediction=prediction,
        clock_u=case.notes.clock_tolerance / math.sqrt(3.0),
        edges=[LineEdge(*edge) for edge in case.notes.edges],
        run=f"{case.stratum}-{case.seed}",
    )


def row_times(case, clock):
    """Return the times of the rows: as ``recorded``, or ``fitted`` to the row numbers, as importing does. (N,)."""
    if clock == "recorded":
        return case.stamps
    number = np.rint((case.times - case.times[0]) * case.setup.sampling.rate)
    slope, intercept = np.polyfit(number, case.stamps, 1)
    return intercept + slope * number


def calibrations(case):
    """Return the calibrations by tag."""
    thrust = {"stand_interaction": interaction(case)} if hasattr(case.notes, "factor") else {}
    return {n.tag: calibration(n, **(thrust if n.measures == "thrust" else {})) for n in case.channels}


def rails(case):
    """Return the converter's rails by tag."""
    return {note.tag: Rails(0, 2**note.bits - 1) for note in case.channels}


def bench(case, **more):
    """Return the stand: one device that sends counts."""
    inputs = [
        {
            "device": "box",
            "stream": "fast",
            "wire": f"w{k}",
            "kind": "counts",
            "tag": note.tag,
            "measures": note.measures,
            **({"tank": note.tank} if note.tank else {}),
        }
        for k, note in enumerate(case.channels)
    ]
    device = {"name": "box", "serial": "1", "clock_tolerance": f"{1e6 * case.notes.clock_tolerance} ppm"}
    typed = {"name": "bench", "nozzle": "horizontal", "tanks_on_cell": False, **more}
    return Stand.model_validate({**typed, "device": (device,), "input": tuple(inputs)})


def calibration(note, **more):
    """Return a channel's calibration as noted."""
    return Calibration.model_validate(
        {
            "tag": note.tag,
            "revision": "r01",
            "sensor": "drawn",
            "sensor_serial": "",
            "date": dt.date(2031, 6, 1),
            "valid_until": dt.date(2032, 6, 1),
            "signal_unit": "counts",
            "reading_unit": note.unit,
            "lowest": note.lowest,
            "highest": note.highest,
            "coefficients": (note.lowest, note.step),
            "covariance": ((0.0, 0.0), (0.0, 0.0)),
            "reference_uncertainty": f"{100.0 * note.gain_u} %",
            "zero_uncertainty": note.zero_u,
            "hysteresis_uncertainty": f"{100.0 * note.hysteresis_u} %",
            "latency": f"{1e3 * note.latency} ms",
            **more,
        }
    )


def typed(noted, unit, factor=1.0):
    """Write a noted value with its uncertainty and unit."""
    return f"{factor * noted.value!r} +/- {factor * noted.u!r} {unit}".rstrip()


def tank_table(note, notes):
    """Return a tank's table of the plan; its load as a scale showed it."""
    return {
        "name": note.name,
        "liquid": note.liquid,
        "pressurant": note.pressurant,
        "liquid_density": typed(note.density, "kg/m3"),
        "internal_volume": typed(note.volume, "L", 1e3),
        "liquid_load": typed(on_scale(note.load, note.density.value, notes), "kg"),
        "unusable_residual": typed(note.residual, "kg"),
        "internal_diameter": f"{note.diameter!r} m",
        "outlet_below_floor": f"{note.outlet_below_floor!r} m",
        "start_pressure": typed(note.start_pressure, "Pa(a)"),
        "gas_temperature": typed(note.gas_temperature, "K"),
        "ullage_exponent": typed(note.exponent, ""),
        "feed_cda": typed(note.cda, "mm2", 1e6),
    }


def site_table(notes):
    """Return the plan's site."""
    return {
        "ambient_pressure": typed(notes.ambient, "Pa(a)"),
        "ambient_temperature": "18 +/- 1 degC",
        "mains": f"{notes.mains} Hz",
    }


def flow_plan(case):
    """Return the plan of a cold flow."""
    notes = case.notes
    flow = {"end": "run-out" if notes.runs_dry else "valve closed early"}
    if notes.close_after is not None:
        flow["close_after"] = f"{notes.close_after} s"
    test = {"number": "WF-1", "kind": "water flow", "stand": "bench", "article": "tank", "objective": "CdA"}
    return Plan.model_validate(
        {
            "test": {**test, "t_zero": "box valve rising"},
            "site": site_table(notes),
            "tank": (tank_table(notes.tank, notes),),
            "flow": flow,
        }
    )


def on_scale(noted, density, notes):
    """Return what a scale showed of a mass as noted."""
    return dataclasses.replace(noted, value=shown(noted.value, density, notes.ambient.value))


def shown_mass(noted, density, notes):
    """Return a weighed mass as it was typed."""
    return None if noted is None else Measured(on_scale(noted, density, notes).value, noted.u, "kg")


def flow_weighings(case):
    """Return what was weighed of a cold flow."""
    notes = case.notes
    caught, left = (shown_mass(noted, notes.tank.density.value, notes) for noted in (notes.caught, notes.left))
    return {notes.tank.name: Weighing(caught=caught, residual=left)}
