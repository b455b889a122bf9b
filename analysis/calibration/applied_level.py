"""From what a reference showed to what stood on the sensor: force of hung masses, pressure through a column. SI."""

import math

from standbook.daq.arrays import Array
from standbook.daq.config.plan import normal_gravity

CONVENTIONAL_DENSITY = 8000.0  # kg/m³ of the weights that a conventional mass is defined by: OIML D 28, confirmed
CONVENTIONAL_AIR = 1.2  # kg/m³ at 20 degC: OIML D 28, confirmed
FORMULA_U = 6e-5  # relative, standard, of gravity by formula: anomalies of 100 mGal at most, from memory
FLATTENING = 1.0 / 298.257223563  # World Geodetic System 1984, from memory
RADIUS = 6378137.0  # m, of the equator, from memory
ROTATION = 0.00344978650684  # squared rate times a² b / GM, from memory


def gravity_at(latitude: float, height: float) -> float:
    """Return normal gravity at a latitude [rad] and a height above the sea [m]. [m/s²].

    Notes
    -----
    Free air, to the second order in the height over the radius of the earth, from memory.
    """
    first = 2.0 / RADIUS * (1.0 + FLATTENING + ROTATION - 2.0 * FLATTENING * math.sin(latitude) ** 2)
    return normal_gravity(latitude) * (1.0 - first * height + 3.0 * (height / RADIUS) ** 2)


def hung_force(
    mass: Array, gravity: float, *, density: float = CONVENTIONAL_DENSITY, air: float = CONVENTIONAL_AIR
) -> Array:
    r"""Return the force of hung masses. (N,) [N].

    Parameters
    ----------
    mass : (N,) array
        Conventional mass, as a scale or certificate gives it. [kg]
    gravity : float
        Where they hang; or where a scale was adjusted that weighs force and was not readjusted. [m/s²]
    density, air : float
        Of what hangs, and of the air around it. [kg/m³]

    Notes
    -----
    :math:`F = m_c g (1 - 1.2/8000) (1 - \rho_a/\rho) / (1 - 1.2/\rho)`. Air's lift on the body itself is in the
    conventional mass already, but for the bracket.
    """
    bracket = (1.0 - air / density) / (1.0 - CONVENTIONAL_AIR / density)
    return mass * gravity * (1.0 - CONVENTIONAL_AIR / CONVENTIONAL_DENSITY) * bracket


def at_sensor(pressure: Array, density: Array | float, gravity: float, sensor_above: float) -> Array:
    """Return the pressure at a sensor from that at the reference, through a column of what fills the line. (N,)."""
    return pressure - density * gravity * sensor_above


def scale_limit(mass: float, interval: float) -> float:
    """Return the greatest error in service of a trade scale of class III at a load, both in kg. [kg].

    Notes
    -----
    0.5, 1 or 1.5 intervals up to 500, 2000 or 10000 of them at verification: OIML R 76 table 6, confirmed; twice that
    in service: seen in a secondary text.
    """
    steps = mass / interval
    return 2.0 * interval * (0.5 if steps <= 500.0 else 1.0 if steps <= 2000.0 else 1.5)
