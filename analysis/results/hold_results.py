"""What a pressure hold tells of one tank. SI, absolute pressures; times in seconds after the first row or T-0."""

from dataclasses import dataclass

from standbook.analysis.results.quantities import Measured

PER_MINUTE = 6e4  # g/min in one kg/s


@dataclass(frozen=True, slots=True)
class HoldTerm:
    """One source of the rate's uncertainty. [kg/s]."""

    source: str
    u: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HoldResult:
    """One tank's hold."""

    says: str  # "tight", "leaks, more", "leaks, less", "supply leaks in", "cannot tell"
    sentence: str
    rate: Measured | None  # positive outward [kg/s]; none: no thermometer, so no rate
    detection_limit: float | None  # least rate that such a hold sees 19 times in 20 [kg/s]
    wanted: float  # [kg/s]
    trade: str  # the rate as catalogues write it, with the temperature that it is taken at
    could: float | None  # hold that could tell, everything else the same [s]
    budget: tuple[HoldTerm, ...]
    window: tuple[float, float]  # from where it had settled to its end [s]
    settled: float  # waited before it [s]
    gas: str
    gas_volume: Measured  # [m3]
    gas_mass: float  # [kg]
    start_pressure: Measured  # [Pa]
    end_pressure: Measured  # [Pa]
    thermometers: int
    sun: str  # "shade" or "sun"
