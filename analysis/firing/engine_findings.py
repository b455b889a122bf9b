"""Engine numbers that cannot be, or that ask for a word: stiffness, thrust coefficient, impulse per mass."""

import math
from collections.abc import Mapping

from scipy.constants import g as standard_gravity

from standbook.analysis.findings.firing import CHAMBER_FACTS_MISSING
from standbook.analysis.findings.thrust import IMPULSE_PER_MASS_IMPOSSIBLE, STIFFNESS_LOW, THRUST_COEFFICIENT_IMPOSSIBLE
from standbook.analysis.physics.performance import HOT, throat_area, throat_in_burn, total_over_reading
from standbook.analysis.results.quantities import Measured
from standbook.daq.config.plan import Engine
from standbook.daq.findings.finding import Finding, Severity
from standbook.daq.quantity import factor

STIFFNESS_USUAL = 0.20  # pressure drop over chamber pressure; [Humble1995] p. 209 has 0.10 to 0.20, others more
STIFFNESS_LEAST = 0.10
CREDIBLE_THRUST_COEFFICIENT = (0.6, 2.2)  # below no nozzle at all, above the largest vacuum nozzles
CREDIBLE_ISP_SHARE = (0.45, 1.5)  # of the plan's engine in vacuum; sea level and poor burning take less than half
CONFUSED_UNITS: Mapping[str, float] = {
    "N/lbf": factor("lbf", "force"),
    "N/kgf": factor("kgf", "force"),
    "kPa/psi": factor("psi", "pressure") / 1e3,
    "psi/bar": factor("bar", "pressure") / factor("psi", "pressure"),
}


def stiffness_finding(tank: str, least: Measured, at: float, *, of_feed: bool) -> Finding | None:
    """Say where a drop over the injector is too soft to keep chamber and feed apart."""
    if least.value >= STIFFNESS_USUAL:
        return None
    severity: Severity = "caution" if least.value < STIFFNESS_LEAST else "note"
    what = "feed drop" if of_feed else "injector drop"
    return STIFFNESS_LOW.at(tank, at, severity=severity, what=what, least=least.value, stiffness_usual=STIFFNESS_USUAL)


def thrust_coefficient_finding(tag: str, coefficient: Measured) -> Finding | None:
    """Name the unit that was probably confused where no nozzle could have such a thrust coefficient."""
    low, high = CREDIBLE_THRUST_COEFFICIENT
    if low <= coefficient.value <= high:
        return None
    guess = _unit_guess(coefficient.value, CREDIBLE_THRUST_COEFFICIENT, usual=1.4)  # of small nozzles
    hint = f" A factor of {guess[1]:.3f}, the {guess[0]} ratio, would explain it." if guess else ""
    return THRUST_COEFFICIENT_IMPOSSIBLE.at(tag, coefficient=coefficient.value, low=low, high=high, hint=hint)


def chamber_facts_finding(engine: Engine, cstar: Measured | None, *, gauged: bool) -> list[Finding]:
    """Say what facts that the plan leaves out cost of c*; ``gauged``: the throat was, after the run."""
    missing, remedies, parts = [], [], []
    tap = total_over_reading(engine)
    if engine.contraction_ratio is None or engine.chamber_tap is None:
        keys = ("contraction_ratio", "chamber_tap")
        missing += [key for key in keys if getattr(engine, key) is None]
        remedies.append("the drawing tells")
        parts.append(tap.u / tap.value)
    if engine.throat_material is None:
        missing.append(f"throat_material ({', '.join(HOT)})")
        cold, hot = throat_area(engine), throat_in_burn(engine)
        parts.append(math.sqrt(hot.u**2 - cold.u**2) / hot.value)
    if not missing or cstar is None:
        return []
    if not gauged:
        remedies.append("gauge the throat after the run too")
    share = math.hypot(*parts)
    return [
        CHAMBER_FACTS_MISSING.at(
            None,
            missing=", ".join(missing),
            share_percent=100.0 * share,
            cost=share * cstar.value,
            remedy=" and ".join(remedies) or "name it",
        )
    ]


def impulse_per_mass_finding(tag: str, value: float, engine: Engine) -> Finding | None:
    """Name the unit that was probably confused where specific impulse [s] is far from that of the plan's engine."""
    planned = engine.cstar_efficiency.value * max(speed.value for _, speed in engine.cstar_table)
    planned *= engine.thrust_coefficient_efficiency.value * engine.vacuum_thrust_coefficient.value / standard_gravity
    share = value / planned
    low, high = CREDIBLE_ISP_SHARE
    if low <= share <= high:
        return None
    guess = _unit_guess(share, CREDIBLE_ISP_SHARE, usual=0.85)
    hint = f" A factor of {guess[1]:.3f}, the {guess[0]} ratio, would explain it." if guess else ""
    return IMPULSE_PER_MASS_IMPOSSIBLE.at(
        tag,
        specific_impulse=value,
        share_percent=100.0 * share,
        low_percent=100.0 * low,
        high_percent=100.0 * high,
        hint=hint,
    )


def _unit_guess(value: float, credible: tuple[float, float], *, usual: float) -> tuple[str, float] | None:
    low, high = credible
    fits = []
    for name, ratio in CONFUSED_UNITS.items():
        corrected = value * ratio if value < low else value / ratio
        if low <= corrected <= high:
            fits.append((abs(math.log(corrected / usual)), name, ratio))
    return min(fits)[1:] if fits else None
