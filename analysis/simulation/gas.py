"""Compute real-gas properties from density and temperature, and flow through a small opening. SI, absolute pressures.

Properties come from the library's reference equations at every call (about 5 µs), so there is no table to
build and no table error. Transport properties are those of the thin gas, read once into a table over temperature.
"""

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

GAS_CONSTANT = 8.314462618  # J/(mol K), exact since 2019
THIN = 1.0e5  # Pa, where transport properties are tabulated
_COLDEST = {"Helium": 20.0, "Nitrogen": 70.0, "Air": 70.0, "Argon": 90.0, "Oxygen": 70.0}  # K
_HOTTEST = 600.0  # K
_PLAN_NAMES = {"helium": "Helium", "nitrogen": "Nitrogen", "air": "Air", "argon": "Argon", "oxygen": "Oxygen"}


@dataclass(frozen=True, slots=True, kw_only=True)
class RealGas:
    """One gas; build it with :func:`real_gas`, which keeps it."""

    name: str
    specific_constant: float  # R/M [J/(kg K)]
    heat_capacity_ratio: float  # thin gas at room temperature, for flow through openings [-]
    _library: Any = field(repr=False)
    _keys: tuple[int, int, int, int] = field(repr=False)
    _temperatures: Sequence[float] = field(repr=False)
    _buoyancy: Sequence[float] = field(repr=False)

    def pressure_terms(self, density: float, temperature: float) -> tuple[float, float, float]:
        """Return pressure [Pa], cv [J/(kg K)] and dp/dT at constant density [Pa/K]."""
        self._library.update(self._keys[0], density, temperature)
        return (
            self._library.p(),
            self._library.cvmass(),
            self._library.first_partial_deriv(self._keys[1], self._keys[2], self._keys[3]),
        )

    def pressure(self, density: float, temperature: float) -> float:
        """Return the absolute pressure. [Pa]."""
        self._library.update(self._keys[0], density, temperature)
        return float(self._library.p())

    def energy(self, density: float, temperature: float) -> float:
        """Return the specific internal energy. [J/kg]."""
        self._library.update(self._keys[0], density, temperature)
        return float(self._library.umass())

    def enthalpy(self, density: float, temperature: float) -> float:
        """Return the specific enthalpy. [J/kg]."""
        self._library.update(self._keys[0], density, temperature)
        return float(self._library.hmass())

    def density(self, pressure: float, temperature: float) -> float:
        """Return the density at an absolute pressure, by Newton's method from the ideal gas. [kg/m³]."""
        rho = pressure / (self.specific_constant * temperature)
        for _ in range(30):
            p = self.pressure(rho, temperature)
            step = (pressure - p) / self._library.first_partial_deriv(self._keys[1], self._keys[3], self._keys[2])
            rho += step
            if abs(step) < 1e-13 * rho:
                break
        return rho

    def free_convection(self, gas_density: float, gas_temperature: float, surface_temperature: float) -> float:
        """Compute the heat-transfer coefficient over the Nusselt constant, h / C in Nu = C Ra^(1/3). [W/(m² K)].

        Notes
        -----
        With the exponent 1/3 the length cancels: ``h = C k (g beta |dT| rho² cp / (mu k))^(1/3)``, gas
        properties at the film temperature, density carried there as an ideal gas would. Source: [McA54],
        form and constants from memory.
        """
        difference = abs(gas_temperature - surface_temperature)
        if difference == 0.0:
            return 0.0
        film = 0.5 * (gas_temperature + surface_temperature)
        density = gas_density * gas_temperature / film
        # Table of k (g cp / (mu k))^(1/3): all that depends on film temperature alone.
        position = (film - self._temperatures[0]) / (self._temperatures[1] - self._temperatures[0])
        low = min(max(int(position), 0), len(self._buoyancy) - 2)
        share = min(max(position - low, 0.0), 1.0)
        factor = self._buoyancy[low] * (1.0 - share) + self._buoyancy[low + 1] * share
        return float(factor * (difference / film * density * density) ** (1.0 / 3.0))


def library_name(pressurant: str) -> str:
    """Find the library's name of a pressurant as plans write it.

    Raises
    ------
    ValueError
        The simulated stand does not know the gas.
    """
    name = _PLAN_NAMES.get(pressurant.strip().lower())
    if name is None:
        raise ValueError(f'the simulated stand knows no gas "{pressurant}"; use {", ".join(_PLAN_NAMES)}')
    return name


@functools.lru_cache(maxsize=16)
def real_gas(pressurant: str) -> RealGas:
    """Load one gas by its name in the plan, ``"helium"``, ``"nitrogen"`` or ``"air"``; it is kept."""
    import CoolProp

    name = library_name(pressurant)
    state = CoolProp.AbstractState("HEOS", name)  # type: ignore[attr-defined]
    supercritical = name == "Helium"
    # A stated phase spares the saturation check at each call; no ullage here comes near its own dew line.
    state.specify_phase(CoolProp.iphase_supercritical_gas if supercritical else CoolProp.iphase_gas)
    temperatures = np.linspace(_COLDEST[name], _HOTTEST, 200)
    buoyancy = []
    for temperature in temperatures:
        state.update(CoolProp.DmassT_INPUTS, THIN / (GAS_CONSTANT / state.molar_mass() * temperature), temperature)
        k, mu = state.conductivity(), state.viscosity()
        buoyancy.append(k * (9.80665 * state.cpmass() / (mu * k)) ** (1.0 / 3.0))
    state.update(CoolProp.DmassT_INPUTS, 1.0, 293.15)
    keys = (CoolProp.DmassT_INPUTS, CoolProp.iP, CoolProp.iT, CoolProp.iDmass)
    return RealGas(
        name=name,
        specific_constant=GAS_CONSTANT / state.molar_mass(),
        heat_capacity_ratio=state.cpmass() / state.cvmass(),
        _library=state,
        _keys=keys,
        _temperatures=tuple(temperatures),
        _buoyancy=tuple(buoyancy),
    )


def opening_flow(
    cda: float, upstream: float, downstream: float, specific_energy: float, heat_capacity_ratio: float
) -> float:
    """Compute the gas mass flow through an opening. [kg/s].

    Parameters
    ----------
    cda : float
        Discharge coefficient times area. [m²]
    upstream, downstream : float
        Absolute pressures. [Pa] No flow when ``upstream`` is the lower.
    specific_energy : float
        R T of the gas upstream. [J/kg]
    heat_capacity_ratio : float
        Of the gas. [-]

    Notes
    -----
    Isentropic to the throat, choked above the critical ratio. Source: [Sutton] ch. 3.
    """
    if upstream <= downstream or cda <= 0.0:
        return 0.0
    g = heat_capacity_ratio
    critical = (2.0 / (g + 1.0)) ** (g / (g - 1.0))
    ratio = downstream / upstream
    if ratio <= critical:
        shape = math.sqrt(g) * (2.0 / (g + 1.0)) ** ((g + 1.0) / (2.0 * (g - 1.0)))
    else:
        # 1 - r^((g-1)/g) behaves as a root near r = 1; the small constant bounds its slope for the solver
        # and takes 1 % of the flow at a pressure difference of 2 %, less above.
        head = 1.0 - ratio ** ((g - 1.0) / g)
        shape = ratio ** (1.0 / g) * math.sqrt(2.0 * g / (g - 1.0)) * head / math.sqrt(head + 1e-4)
    return float(cda * upstream / math.sqrt(specific_energy) * shape)
