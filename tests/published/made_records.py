"""Datasets made of counts whose truth is a closed form: what a crew notes is exact, and little noise lies on them.

A record without any noise would be a frozen channel; here a count or two of a converter of 24 bits moves.
"""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np

from tests.worlds.adapter import firing_dataset, flow_dataset
from tests.worlds.cases import FlowNotes, Noted, TankNote
from tests.worlds.channels import ChannelNote
from tests.worlds.firing_cases import FiringNotes

AMBIENT = 101_325.0
# A cell reads F cos(angle); of an angle that nobody measured half a degree is taken for certain, and put back.
PUT_BACK = 1.0 / math.cos(math.radians(0.5))
BITS = 24
WIDE = 1.0  # diameter of a tank whose liquid stands 13 mm high: 0.004 % of the drive [m]


def channel(tag, measures, highest, *, tank="", lowest=0.0, unit="Pa(a)"):
    """Return a channel that reads SI, exactly."""
    step = (highest - lowest) / 2**BITS
    claims = {"gain_u": 1e-4, "zero_u": 1e-5 * highest, "hysteresis_u": 0.0, "latency": 0.0}
    return ChannelNote(tag, measures, tank, unit, 1.0, BITS, lowest, step, highest, **claims)


def counted(note, value, seed):
    """Return the counts of a course, with noise of two counts."""
    random = np.random.default_rng(seed)
    found = np.rint((value - note.lowest) / note.step + 2.0 * random.standard_normal(value.size))
    return np.clip(found, 0, 2**BITS - 1).astype(np.int64)


def tank_note(name, gas, load, residual, *, liquid="water", **changes):
    """Return what a plan says of a tank, exactly: ``gas`` is its ullage as the closed form has it."""
    about = 1e-4
    noted = {
        "volume": gas.start_volume + load / gas.density,
        "load": load,
        "density": gas.density,
        "residual": residual,
        "start_pressure": gas.start_pressure,
        "cda": gas.cda,
        "exponent": gas.exponent,
        "gas_temperature": 293.15,
        **changes,
    }
    exact = {key: Noted(float(value), about * float(value)) for key, value in noted.items()}
    exact |= {"exponent": Noted(noted["exponent"], 0.05), "cda": Noted(noted["cda"], 0.03 * noted["cda"])}
    return TankNote(name=name, liquid=liquid, pressurant="nitrogen", diameter=WIDE, outlet_below_floor=0.0, **exact)


def flow_record(time, pressure, note, *, caught, dry, shuts, gauge=False):
    """Return the dataset of a cold flow whose tank pressure is given; ``gauge``: ambient is off it, unsaid."""
    tank = channel("PT-1", "tank pressure", 60e5, tank="tank")
    reading = pressure - AMBIENT if gauge else pressure
    edges = (("valve", 1, 0.0), *(() if shuts is None else (("valve", 0, shuts),)))
    notes = FlowNotes(
        tank=note,
        ambient=Noted(AMBIENT, 10.0),
        caught=Noted(float(caught), 1e-4 * float(caught)),
        left=None,
        runs_dry=dry,
        close_after=None if dry else shuts,
        mains=60.0,
        clock_tolerance=1e-5,
        edges=edges,
    )
    return flow_dataset(_case(notes, (tank,), {"PT-1": reading}, time), clock="recorded")


def firing_record(time, courses, tanks, *, nozzle, left, throat, limit=40_960.0, shuts=None, chamber=None):
    """Return the dataset of a firing: ``courses`` by tag are the cell's force and absolute pressures."""
    notes = FiringNotes(
        tanks=tanks,
        left={name: Noted(mass, 1e-3) for name, mass in left.items()},
        ambient=Noted(AMBIENT, 10.0),
        throat_diameter=Noted(throat, 1e-6),
        expansion=Noted(3.4, 1e-3),
        chamber=chamber,
        cstar_efficiency=Noted(0.92, 0.02),
        coefficient_efficiency=Noted(0.96, 0.02),
        nozzle=nozzle,
        modes=(200.0,),
        moving_mass=75.0,
        factor=Noted(1.0, 1e-4),
        line_load=Noted(0.0, 0.0),
        alignment=0.0,
        limit=limit,
        mains=60.0,
        clock_tolerance=1e-5,
        edges=(("fire", 1, 0.0), *(() if shuts is None else (("fire", 0, shuts),))),
    )
    known = {
        "LC-1": channel("LC-1", "thrust", 8000.0, lowest=-8000.0, unit="N"),
        "PT-11": channel("PT-11", "tank pressure", 60e5, tank="oxidiser"),
        "PT-21": channel("PT-21", "tank pressure", 60e5, tank="fuel"),
        "PT-31": channel("PT-31", "chamber pressure", 60e5),
    }
    channels = tuple(known[tag] for tag in courses)
    dataset = firing_dataset(_case(notes, channels, courses, time), clock="recorded")
    engine = dataset.plan.engine.model_copy(update={"throat_material": None})  # a throat that does not grow
    return dataclasses.replace(dataset, plan=dataset.plan.model_copy(update={"engine": engine}))


def _case(notes, channels, courses, time):
    counts = {note.tag: counted(note, courses[note.tag], k) for k, note in enumerate(channels)}
    return SimpleNamespace(notes=notes, channels=channels, counts=counts, stamps=time, stratum="closed form", seed=0)
