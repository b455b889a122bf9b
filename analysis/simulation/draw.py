"""Draw the errors of a simulated test, each by name: notes against truth, sensors against calibrations.

A draw is a seed with a scale for every error. Each error has its own stream of numbers, so that switching
one off or changing the order of evaluation leaves the others as they were.
"""

import dataclasses
import zlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np


@dataclass(frozen=True, slots=True, kw_only=True)
class Errors:
    """Scale of each error: 1 as stated by plan, stand and calibration (or as usual for the part), 0 none."""

    # notes: the plan states nominal values, the truth differs by their standard uncertainties
    load: float = 1.0
    volume: float = 1.0
    liquid_density: float = 1.0
    ambient_pressure: float = 1.0
    start_pressure: float = 1.0
    gravity: float = 1.0
    residual: float = 1.0
    weighing: float = 1.0
    # hardware and physics
    feed_cda: float = 1.0
    cstar_efficiency: float = 1.0
    thrust_coefficient: float = 1.0
    throat: float = 1.0
    expansion: float = 1.0
    heat_transfer: float = 1.0
    gas_temperature: float = 1.0
    valve: float = 1.0
    damping: float = 1.0
    roughness: float = 1.0
    # load path, from the calibration's stand interaction
    interaction: float = 1.0
    line_load: float = 1.0
    alignment: float = 1.0
    # sensors, from the calibration
    scatter: float = 1.0  # covariance of the coefficients, or tolerance of a class
    reference: float = 1.0  # the standard it was calibrated with: gain
    zero: float = 1.0
    hysteresis: float = 1.0
    drift: float = 1.0  # of the zero during the record
    lag: float = 1.0  # its spread about the stated latency
    # signal chain
    noise: float = 1.0
    correlated_noise: float = 1.0
    hum: float = 1.0
    supply: float = 1.0
    clock: float = 1.0

    @classmethod
    def none(cls) -> "Errors":
        """Set every error to zero, sensor noise included."""
        return cls(**{f.name: 0.0 for f in dataclasses.fields(cls)})

    @classmethod
    def sensors_only(cls) -> "Errors":
        """Keep the hardware as noted; sensors, load path, clock and weighings err."""
        hardware = (
            "load",
            "volume",
            "liquid_density",
            "ambient_pressure",
            "start_pressure",
            "gravity",
            "residual",
            "feed_cda",
            "cstar_efficiency",
            "thrust_coefficient",
            "throat",
            "expansion",
            "heat_transfer",
            "gas_temperature",
            "valve",
        )
        return dataclasses.replace(cls(), **dict.fromkeys(hardware, 0.0))


@dataclass(frozen=True, slots=True)
class Draw:
    """One set of drawn errors.

    ``fixed`` sets true values outright, by their names in :mod:`analysis.simulation.world`
    (``"oxidiser.cda"``, ``"cstar_efficiency"``); a story uses it, a study does not.
    """

    seed: int
    errors: Errors = Errors()
    fixed: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))

    def generator(self, name: str, of: str = "") -> np.random.Generator:
        """Return the random stream of one error of one thing."""
        return np.random.default_rng([self.seed, zlib.crc32(f"{name}/{of}".encode())])

    def scale(self, name: str) -> float:
        """Return the scale of one error."""
        return float(getattr(self.errors, name))

    def normal(self, name: str, of: str = "") -> float:
        """Return a scaled standard normal deviate: multiply by a standard uncertainty."""
        return self.scale(name) * float(self.generator(name, of).standard_normal())

    def even(self, name: str, of: str = "") -> float:
        """Return a scaled uniform deviate between -1 and 1: multiply by a half-width."""
        return self.scale(name) * float(self.generator(name, of).uniform(-1.0, 1.0))
