"""Small worlds for the tests of the simulated stand."""

import dataclasses

from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.world import EngineWorld, TankWorld, World

NITROGEN_TANK = TankWorld(
    name="fuel",
    gas="nitrogen",
    volume=20e-3,
    diameter=0.2,
    liquid_density=1000.0,
    load=10.0,
    residual=0.1,
    outlet_head=0.0,
    start_pressure=35e5,
    cda=13e-6,
    liquid_temperature=293.15,
    gas_temperature=293.15,
    wall_temperature=293.15,
)
HELIUM_TANK = dataclasses.replace(
    NITROGEN_TANK,
    name="oxidiser",
    gas="helium",
    liquid_density=1139.0,
    cda=16e-6,
    liquid_temperature=92.0,
    gas_temperature=190.0,
    wall_temperature=178.0,
    heat_factor=0.3,
)
ENGINE = EngineWorld(
    throat_area=8.0e-4,
    expansion_ratio=3.4,
    mixture_ratio=(0.9, 1.4, 2.0),
    ideal_cstar=(1493.6, 1652.9, 1586.4),
    cstar_efficiency=0.92,
    pressure_exponent=0.005,
    reference_pressure=20e5,
    thrust_coefficient=1.53,
    volume=8.0e-4,
)
COLD = World(
    kind="water flow",
    tanks=(dataclasses.replace(NITROGEN_TANK, start_pressure=10e5, load=8.0),),
    engine=None,
    ambient_pressure=97.8e3,
    back_pressure=97.8e3,
    ambient_temperature=293.15,
    gravity=9.80665,
    closes_early=True,
)
HOT = dataclasses.replace(
    COLD,
    kind="static fire",
    tanks=(
        dataclasses.replace(HELIUM_TANK, start_pressure=32e5, load=4.0),
        dataclasses.replace(NITROGEN_TANK, start_pressure=32e5, load=2.0),
    ),
    engine=ENGINE,
    closes_early=False,
)
AS_NOTED = Draw(1, Errors.none())
