"""The gas above a liquid: pressure, energy and outflow by a virial law of its own. SI, absolute pressures.

``P = rho R T (1 + b rho + c rho²) - a rho²`` with energy ``u = cv T - a rho``: the two agree thermodynamically, so
that the isentrope is known in closed form. Virial coefficients near 300 K are from memory (second one of nitrogen
-4.5, of air -7.4, of helium +11.8 cm³/mol); no property library is asked.
"""

import math
from dataclasses import dataclass

MOLAR_GAS_CONSTANT = 8.314462618  # [J/mol/K]


@dataclass(frozen=True, slots=True)
class Gas:
    """One gas, per kilogram."""

    name: str
    r: float  # [J/kg/K]
    cv: float  # [J/kg/K], constant
    a: float  # attraction [Pa m6/kg2]
    b: float  # [m3/kg]
    c: float  # [m6/kg2]

    @property
    def gamma(self):
        """Heat capacity ratio of the dilute gas."""
        return 1.0 + self.r / self.cv

    def pressure(self, density, temperature):
        """Return the pressure. [Pa]."""
        return density * self.r * temperature * (1.0 + density * (self.b + self.c * density)) - self.a * density**2

    def density(self, pressure, temperature):
        """Return the density by fixed-point iteration from the ideal one. [kg/m3]."""
        density = pressure / (self.r * temperature)
        for _ in range(60):
            density *= pressure / self.pressure(density, temperature)
        return density

    def isentropic_temperature(self, temperature, density, to_density):
        """Return the temperature after a change of density without heat: ``cv dT/T = R (1/rho + b + c rho) drho``."""
        before, after = (math.log(d) + self.b * d + 0.5 * self.c * d * d for d in (density, to_density))
        return temperature * math.exp(self.r / self.cv * (after - before))

    def outflow(self, pressure, temperature, back_pressure):
        """Return mass flow through one square metre of nozzle, choked or not, by the dilute gas. [kg/s/m2]."""
        g = self.gamma
        ratio = back_pressure / pressure
        if ratio >= 1.0:
            return 0.0
        ratio = max(ratio, (2.0 / (g + 1.0)) ** (g / (g - 1.0)))
        speed = 2.0 * g / (g - 1.0) * (ratio ** (2.0 / g) - ratio ** ((g + 1.0) / g))
        return pressure / math.sqrt(self.r * temperature) * math.sqrt(speed)


# molar mass [kg/mol], cv/R, a [Pa m6/mol2], b [m3/mol], c [m6/mol2]; from memory
_TABLE = {
    "nitrogen": (28.0134e-3, 2.5, 0.141, 5.2e-5, 1.5e-9),
    "air": (28.9647e-3, 2.5, 0.144, 5.0e-5, 1.5e-9),
    "helium": (4.0026e-3, 1.5, 0.0035, 1.32e-5, 1.1e-10),
}
GASES = tuple(_TABLE)


def gas_named(name, realness=1.0):
    """Return a gas; ``realness`` 0 makes it ideal, 1 gives it all of its virial coefficients."""
    molar, ratio, a, b, c = _TABLE[name]
    r = MOLAR_GAS_CONSTANT / molar
    return Gas(name, r, ratio * r, realness * a / molar**2, realness * b / molar, realness * c / molar**2)
