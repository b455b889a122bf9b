"""What a scale in the open air shows of a mass. SI.

The scale was adjusted on the spot with steel weights. Air is a mixture of two ideal gases, half as damp as it can be.
"""

import math

DRY_AIR, VAPOUR = 287.05, 461.5  # gas constants [J/kg/K]
STEEL = 8000.0  # [kg/m3]
AIR_AT = 291.15  # [K], as the plans of this world say


def air(pressure, temperature=AIR_AT):
    """Return the density of half damp air. [kg/m3]."""
    celsius = temperature - 273.15
    vapour = 0.5 * 610.94 * math.exp(17.625 * celsius / (celsius + 243.04))  # Magnus, from memory [Pa]
    return (pressure - vapour) / (DRY_AIR * temperature) + vapour / (VAPOUR * temperature)


def shown(mass, density, pressure, temperature=AIR_AT):
    """Return what the scale shows of a liquid's mass. [kg]."""
    of_air = air(pressure, temperature)
    return mass * (1.0 - of_air / density) / (1.0 - of_air / STEEL)
