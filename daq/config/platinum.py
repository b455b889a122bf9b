r"""Convert platinum-thermometer resistance to temperature and back, with the tolerance of each class.

Temperatures are in degC, as the standard has them. From -200 to 850 degC, [IEC60751]:

.. math:: R = R_0 (1 + A t + B t^2 + C (t - 100) t^3), \quad C = 0 \text{ for } t \geq 0

Beyond the range the curve goes on as a straight line: a sample there belongs to a broken wire, and stays a number.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator

from standbook.daq.config.toml_document import Document
from standbook.daq.quantity import Quantity, Resistance

A, B, C = 3.9083e-3, -5.775e-7, -4.183e-12  # 1/degC, 1/degC², 1/degC⁴ [IEC60751]
LOWEST, HIGHEST = -200.0, 850.0  # degC [IEC60751]
NEWTON_STEPS = 4  # the first guess is off by 2.4 K at most, so three leave 1e-9 K; the fourth leaves rounding
SIGNAL_UNIT, READING_UNIT = "ohm", "degC"


def resistance_ratio(temperature: NDArray[np.float64]) -> NDArray[np.float64]:
    """Compute the ratio of resistance to that at 0 degC. Shape (N,)."""
    t = np.clip(temperature, LOWEST, HIGHEST)
    ratio = 1.0 + t * (A + t * (B + np.where(t < 0.0, C * (t - 100.0) * t, 0.0)))
    return np.asarray(ratio + _slope(t) * (temperature - t))


def temperature(ratio: NDArray[np.float64]) -> NDArray[np.float64]:
    """Invert :func:`resistance_ratio`: in closed form above 0 degC, by Newton's method below. [degC]. Shape (N,)."""
    inside = np.clip(ratio, LOWEST_RATIO, HIGHEST_RATIO)
    t = 2.0 * (inside - 1.0) / (A + np.sqrt(A**2 + 4.0 * B * (inside - 1.0)))
    cold = t < 0.0
    if cold.any():
        below = t[cold]
        for _ in range(NEWTON_STEPS):
            below = below - (resistance_ratio(below) - inside[cold]) / _slope(below)
        t[cold] = below
    return np.asarray(t + (ratio - inside) / _slope(t))


def _slope(t: NDArray[np.float64]) -> NDArray[np.float64]:
    return A + 2.0 * B * t + np.where(t < 0.0, C * (4.0 * t - 300.0) * t**2, 0.0)


LOWEST_RATIO, HIGHEST_RATIO = resistance_ratio(np.array([LOWEST, HIGHEST])).tolist()


@dataclass(frozen=True, slots=True)
class ToleranceClass:
    """Half-width ``at_zero + share |t|`` that no thermometer of a class exceeds, and where that holds. [degC]."""

    at_zero: float
    share: float
    lowest: float
    highest: float


TOLERANCES: Final[Mapping[str, ToleranceClass]] = {
    "AA": ToleranceClass(0.10, 0.0017, -50.0, 250.0),
    "A": ToleranceClass(0.15, 0.002, -100.0, 450.0),
    "B": ToleranceClass(0.30, 0.005, -196.0, 600.0),
    "C": ToleranceClass(0.60, 0.01, -196.0, 600.0),
}
"""Of wire-wound thermometers; those of a film hold over less. [IEC60751]."""


def _is_known(nominal: Quantity) -> Quantity:
    if nominal.value not in NOMINALS:
        raise ValueError(f'no thermometer here has "{nominal.text}" at 0 degC; write "100 ohm" or "1000 ohm"')
    return nominal


NOMINALS: Final = (100.0, 1000.0)  # ohm: Pt100, Pt1000
NominalResistance = Annotated[Resistance, AfterValidator(_is_known)]


class Characteristic(Document):
    """A thermometer that follows a standard, in place of points and coefficients."""

    standard: Literal["IEC 60751"]
    nominal: NominalResistance  # at 0 degC
    tolerance_class: Literal["AA", "A", "B", "C"]

    @property
    def tolerance(self) -> ToleranceClass:
        """Tolerance class of the thermometer."""
        return TOLERANCES[self.tolerance_class]

    @property
    def words(self) -> str:
        """Describe the standard and the tolerance class."""
        return f"{self.standard}, class {self.tolerance_class}"

    def reading(self, signal: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn a resistance [ohm] into a temperature [degC]."""
        return temperature(signal / self.nominal.value)

    def signal(self, reading: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn a temperature [degC] into a resistance [ohm]."""
        return self.nominal.value * resistance_ratio(reading)

    def half_width(self, reading: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far a thermometer of the class may be off at a temperature [degC]. [K]."""
        return self.tolerance.at_zero + self.tolerance.share * np.abs(reading)

    def check(self, signal_unit: str, reading_unit: str, lowest: float, highest: float) -> None:
        """Refuse a calibration of other units, or of a range in which the class promises nothing.

        Raises
        ------
        ValueError
            Says what to write instead.
        """
        if (signal_unit, reading_unit) != (SIGNAL_UNIT, READING_UNIT):
            raise ValueError(f'{self.standard} takes signal_unit "{SIGNAL_UNIT}", gives reading_unit "{READING_UNIT}"')
        limits = self.tolerance
        if not limits.lowest <= lowest < highest <= limits.highest:
            raise ValueError(
                f"class {self.tolerance_class} holds from {limits.lowest:g} to {limits.highest:g} degC; choose lowest "
                "and highest inside, or the class that covers them"
            )
