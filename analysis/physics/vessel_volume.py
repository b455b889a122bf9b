"""Volume of a tank as it is filled: shrunk by the cold of its liquid, stretched by its pressure.

SI. The wall is taken to be as cold as the liquid, a thin cylinder with closed ends. Materials as a plan names them.
"""

import dataclasses
import math

import numpy as np
from scipy.constants import zero_Celsius

from standbook.analysis.physics.fluids import is_cryogenic, temperature_of
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError

# Change of length over that at 293 K, in 1e-5, of aluminium 6061 and stainless steel 304: coefficients of rising powers
# of the temperature in kelvin, 4 to 300 K. Cryogenic material properties of NIST, from memory.
CONTRACTION = {
    "aluminium": (-412.77, -0.30389, 8.7696e-3, -9.9821e-6),
    "steel": (-295.54, -0.39811, 9.2683e-3, -2.0261e-5, 1.7127e-8),
}
ELASTICITY = {"aluminium": (70e9, 0.33), "steel": (193e9, 0.29)}  # Young's modulus [Pa] and Poisson's ratio; handbooks
COLDEST = {"aluminium": 4.0, "steel": 25.0}  # K; below it the material shrinks no more that counts
VOLUME_AT = zero_Celsius + 20.0  # K, where a plan states no volume_at
KNOWN_TO = 0.1  # of each correction, standard: alloy, joints, a dry wall that is warmer; judgement
# Of the volume, by which a cryogen's tank may be smaller where its wall is not stated: aluminium from 293 to 77 K
MOST_CONTRACTION = 0.0117


def contraction(material: str, temperature: float) -> float:
    """Compute the length at a temperature [K] less that at 293 K, over that at 293 K. [-]."""
    return 1e-5 * float(np.polyval(CONTRACTION[material][::-1], max(temperature, COLDEST[material])))


def thermal_change(material: str, temperature: float, measured_at: float) -> float:
    """Compute by what share a volume grows from ``measured_at`` to ``temperature`` [K]; negative: it shrinks."""
    lengths = (1.0 + contraction(material, temperature)) / (1.0 + contraction(material, measured_at))
    return lengths**3 - 1.0


def stretch(material: str, diameter: float, thickness: float, pressure: float) -> float:
    r"""Compute by what share a closed cylinder's volume grows under a pressure over its outside's.

    Parameters
    ----------
    diameter, thickness
        Inside, and of the wall. [m]
    pressure
        Gauge. [Pa]

    Notes
    -----
    :math:`\Delta V/V = \frac{p R}{E t}(\frac52 - 2\nu)`, twice the hoop strain and once the axial. Derived.
    """
    modulus, poisson = ELASTICITY[material]
    return pressure * diameter / 2.0 / (modulus * thickness) * (2.5 - 2.0 * poisson)


def as_filled(plan: Plan) -> Plan:
    """Return the plan with the volumes that its tanks have when they are filled and under pressure.

    Notes
    -----
    To be taken once, where a plan comes in. A volume that a cryogen may have shrunk, by nobody knows how much, keeps
    its value and is less certain.
    """
    tanks = tuple(_tank(plan, tank) for tank in plan.tank)
    return plan if tanks == plan.tank else plan.model_copy(update={"tank": tanks})


def _tank(plan: Plan, tank: Tank) -> Tank:
    cold = is_cryogenic(tank.liquid)
    temperature = _liquid_temperature(plan, tank) if tank.wall_material is not None else None
    if tank.wall_material is None or temperature is None:
        return _held(tank, 0.0, MOST_CONTRACTION / math.sqrt(3.0)) if cold else tank
    measured_at = tank.volume_at.value if tank.volume_at is not None else VOLUME_AT
    shrunk = thermal_change(tank.wall_material, temperature, measured_at)
    grown = 0.0
    if tank.wall_thickness is not None and tank.internal_diameter is not None:
        over = plan.start_pressure(tank).value - plan.site.ambient_pressure.value
        grown = stretch(tank.wall_material, tank.internal_diameter.value, tank.wall_thickness.value, over)
    # The pressure falls in the run, to half as a rule: what it stretches by then is known as limits.
    doubt = math.hypot(KNOWN_TO * shrunk, KNOWN_TO * grown, grown / 2.0 / math.sqrt(3.0))
    return _held(tank, shrunk + grown, doubt)


def _held(tank: Tank, change: float, doubt: float) -> Tank:
    """Change a tank's volume by a share of it, known to ``doubt``, a share too."""
    typed = tank.internal_volume
    u = math.hypot(typed.u, doubt * typed.value)
    filled = dataclasses.replace(typed, value=typed.value * (1.0 + change), u=u)
    return tank.model_copy(update={"internal_volume": filled})


def _liquid_temperature(plan: Plan, tank: Tank) -> float | None:
    """Return what a liquid's temperature [K] is: a cryogen's by its density; ``None`` where that is not known."""
    if not is_cryogenic(tank.liquid):
        return plan.site.ambient_temperature.value
    try:
        start = plan.start_pressure(tank).value
        return temperature_of(tank.liquid, pressure=start, density=tank.liquid_density.value)
    except DataError:
        return None
