"""Closed forms of a tank that blows down through a fixed CdA. SI, absolute pressures; nothing of the program is used.

Ullage P V^n = P0 V0^n, dV/dt = K share(t) sqrt(P - Pd), K = CdA sqrt(2 / rho). A valve that opens only a share of its
area lets the same course pass on another clock, s = integral of the share, so every form is a function of ``s``.
Derived: separation of variables, checked there against an adaptive integration at 1e-12.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import beta, betainc, betaincinv


@dataclass(frozen=True, slots=True)
class Ullage:
    """Gas over a liquid that leaves through a fixed area."""

    start_pressure: float
    start_volume: float
    exponent: float
    cda: float
    density: float

    @property
    def rate(self):
        """K. [m3/s/Pa^1/2]."""
        return self.cda * math.sqrt(2.0 / self.density)

    @property
    def time_scale(self):
        """Tau, V0 / (K sqrt(P0)). [s]."""
        return self.start_volume / (self.rate * math.sqrt(self.start_pressure))

    def volume_at(self, pressure):
        """Volume of the gas at a pressure. [m3]."""
        return self.start_volume * (self.start_pressure / pressure) ** (1.0 / self.exponent)

    def against_share(self, s, share=0.0):
        """Pressure where the back pressure is a fixed share of the tank's own: to vacuum, with K sqrt(1 - share)."""
        n, tau = self.exponent, self.time_scale / math.sqrt(1.0 - share)
        return self.start_pressure * (1.0 + (1.0 + n / 2.0) * s / tau) ** (-2.0 * n / (n + 2.0))

    def integral_against_share(self, s, share=0.0):
        """Integral of that pressure over the clock s, from 0. [Pa s]."""
        n, tau = self.exponent, self.time_scale / math.sqrt(1.0 - share)
        power = (2.0 - n) / (n + 2.0)
        grown = (1.0 + (1.0 + n / 2.0) * s / tau) ** power
        return self.start_pressure * tau * (grown - 1.0) / (power * (1.0 + n / 2.0))

    def _constants(self, ambient):
        scale = self.volume_at(ambient) / (self.exponent * self.rate * math.sqrt(ambient))
        return scale, 0.5 + 1.0 / self.exponent, 0.5

    def against(self, s, ambient):
        """Pressure against a constant back pressure: the inverse of the incomplete beta function."""
        scale, a, b = self._constants(ambient)
        return ambient / betaincinv(a, b, s / scale / beta(a, b) + betainc(a, b, ambient / self.start_pressure))

    def clock_at_volume(self, volume, ambient):
        """Clock s at which the gas has grown to a volume, against a constant back pressure. [s]."""
        scale, a, b = self._constants(ambient)
        pressure = self.start_pressure * (self.start_volume / volume) ** self.exponent
        return scale * beta(a, b) * (betainc(a, b, ambient / pressure) - betainc(a, b, ambient / self.start_pressure))


def choked_gas(s, start_pressure, time_scale, ratio):
    """Pressure of gas alone that leaves a tank through a choked opening without heat; V / (CdA G sqrt(R T0)) in s."""
    return start_pressure * (1.0 + (ratio - 1.0) / 2.0 * s / time_scale) ** (-2.0 * ratio / (ratio - 1.0))


def open_clock(time, opens, shuts, stroke):
    """Integral of the open share of a valve that moves evenly, each stroke centred on its instant. (N,) [s]."""

    def ramp(at):
        x = np.clip((time - at) / stroke + 0.5, 0.0, None)
        return stroke * np.where(x < 1.0, x**2 / 2.0, x - 0.5)

    return ramp(opens) - ramp(shuts)
