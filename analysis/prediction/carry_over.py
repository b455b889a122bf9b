"""Carry CdA to another run by Reynolds number and cavitation, and the exponent by gas and liquid.

SI, absolute pressures. Pure: states of both runs are handed in. It judges nothing of the gas that may come out of
solution, of deposits, or of hardware that was changed in between.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from standbook.analysis.physics.fluids import is_cryogenic
from standbook.analysis.prediction import cavitation
from standbook.analysis.prediction.cavitation import OtherFlow
from standbook.analysis.results.quantities import Measured
from standbook.daq.kinds.registry import ASSUMED, NITROGEN_FLOW, kind_named

TURBULENT = 1e4  # Reynolds number below which a discharge coefficient moves by percents
FRICTION_SHARE = 0.10  # of a side's loss that is friction along smooth walls; an assumption, the rest is orifices
SMOOTH = 0.25  # friction factor of a smooth pipe falls with this power of the Reynolds number
UNKNOWN_RATIO = 10.0  # of Reynolds numbers, allowed for where the viscosity is not known
HEAT_POWER = 0.4  # of heat passed over heat held, with which the loss of exponent grows; least bias in the study
FILL_APART = 0.05  # of a tank's volume, by which the same fill may differ; judgement
HEAT_SHARE = 0.15  # of that loss: u of how much it is at another pressure and duration; tests/studies/carried_exponent


@dataclass(frozen=True, slots=True, kw_only=True)
class Side:
    """State of one liquid between tank and outlet, at the start and at the end of a flow."""

    liquid: str
    density: float  # [kg/m3]
    viscosity: float | None  # [Pa s]
    vapour_pressure: float | None  # absolute [Pa]
    inlet: tuple[float, float]  # tank, absolute [Pa]
    outlet: tuple[float, float]  # behind the injector, absolute [Pa]
    warmth_told: bool = True  # else nothing says how warm a boiling liquid was, nor its vapour pressure
    rounding: float | None = None  # inlet radius of the injector's holes over their diameter; none: not known

    @property
    def drops(self) -> tuple[float, float]:
        """Driving pressure differences. [Pa]."""
        return self.inlet[0] - self.outlet[0], self.inlet[1] - self.outlet[1]

    @property
    def least_cavitation_number(self) -> float:
        """Least cavitation number of the flow; where the vapour pressure is not known, what it cannot exceed."""
        vapour = self.vapour_pressure or 0.0
        if min(self.drops) <= 0.0:
            return math.inf
        both = zip(self.inlet, self.outlet, strict=True)
        return min(cavitation.cavitation_number(before, behind, vapour) for before, behind in both)


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedCda:
    """A CdA for another run, with its basis."""

    measured: Measured  # as it flowed [m2]
    carried: Measured | None  # for the other run [m2]; none: outside the range in which it carries
    reynolds: tuple[float, float] | None  # least and greatest in the flow
    reynolds_there: tuple[float, float] | None  # in the other run; none: viscosity not known
    remarks: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ullage:
    """Gas above a liquid, and its expansion."""

    liquid: str
    pressurant: str
    end_log_ratio: float  # ln of gas volume at the end over that at the start
    start_pressure: float  # absolute [Pa]
    duration: float  # of the expansion [s]
    isentropic_chord: float | None  # of the real gas between its own pressures
    wall: str | None = None  # material of the tank's wall; none: not stated
    fill: float | None = None  # of the tank's volume that is liquid at the start; none: not known


@dataclass(frozen=True, slots=True)
class CarriedExponent:
    """A mean exponent (start to end) for another tank, or the sentence that refuses it."""

    carried: Measured | None
    refusal: str | None
    remarks: tuple[str, ...]


def equivalent_reynolds(cda: float, *, density: float, drop: float, viscosity: float) -> float:
    """Compute the Reynolds number of a jet as wide as CdA at the speed of the pressure drop.

    Parameters
    ----------
    cda : float
        [m2]
    density, drop, viscosity : float
        [kg/m3], [Pa], [Pa s]

    Notes
    -----
    Re = d sqrt(2 rho dp) / mu with d = sqrt(4 CdA / pi). An injector of N equal holes has it smaller by sqrt(N) in
    each; the ratio between two runs of the same hardware, which is what counts, does not depend on that. Derived.
    """
    if cda <= 0.0 or drop <= 0.0:
        return 0.0
    return math.sqrt(4.0 * cda / math.pi) * math.sqrt(2.0 * density * drop) / viscosity


def reynolds_u(ratio: float, friction_share: float = FRICTION_SHARE) -> float:
    """Compute the relative standard uncertainty that a ratio of Reynolds numbers adds to a CdA.

    Notes
    -----
    A loss of which a share s is friction along smooth walls, f ~ Re^(-1/4) ([Blasius1913]), changes CdA by
    s / 2 * |1 - r^(1/4)| with r the lower over the higher number. Taken as an uncertainty, never as a correction: s is
    not measured, and rough walls change less. Derived.
    """
    low = min(ratio, 1.0 / ratio)
    return friction_share / 2.0 * (1.0 - math.pow(low, SMOOTH))


def carry_cda(measured: Measured, here: Side, there: Side, *, others: Sequence[OtherFlow] = ()) -> CarriedCda:
    """Carry a CdA from one run to another of the same hardware.

    Parameters
    ----------
    measured : Measured
        CdA [m2] of the flow.
    here, there : Side
        The flow, and the run that it is carried to. Where the viscosity of the liquid that flowed is not known,
        nothing but a run with the same liquid can be reached.
    others : sequence of OtherFlow, optional
        Other flows of the same side, which may show that a flow at a low cavitation number ran full.

    Notes
    -----
    m' = CdA sqrt(2 rho dp) holds no property of the liquid but its density, so that a CdA carries over as it is while
    both flows are turbulent and neither cavitates. Derived.
    """
    refused = cavitation_refusal(measured, here, others)
    if refused is not None:
        return CarriedCda(measured=measured, carried=None, reynolds=None, reynolds_there=None, remarks=(refused,))
    if here.viscosity is None:
        return _carry_same_liquid(measured, here, there, others)
    reynolds = _range(measured.value, here, here.viscosity)
    remarks: list[str] = []
    if there.viscosity is None:
        ratio, beyond = UNKNOWN_RATIO, None
        least, most = _range(measured.value, there, 1e-3)
        remarks.append(
            f"The viscosity of {there.liquid} is not known here: divide {least:.2g} to {most:.2g} by it in mPa*s for "
            f"its Reynolds number, which must stay above {TURBULENT:,.0f}. A ratio of {UNKNOWN_RATIO:g} is allowed for."
        )
    else:
        beyond = _range(measured.value, there, there.viscosity)
        ratio = _ratio(reynolds, beyond)
    refused = _laminar(here, reynolds) or (_laminar(there, beyond) if beyond is not None else None)
    if refused is not None:
        return CarriedCda(
            measured=measured, carried=None, reynolds=reynolds, reynolds_there=beyond, remarks=(*remarks, refused)
        )
    added = reynolds_u(ratio)
    words = "" if beyond is None else f", {beyond[0]:.2g} to {beyond[1]:.2g} there"
    remarks.append(f"Reynolds number {reynolds[0]:.2g} to {reynolds[1]:.2g} in the flow{words}: {_added_words(added)}")
    remarks += _cavitation(measured, here, there, others)
    return CarriedCda(
        measured=measured,
        carried=_widened(measured, added),
        reynolds=reynolds,
        reynolds_there=beyond,
        remarks=tuple(remarks),
    )


def cavitation_refusal(measured: Measured, here: Side, others: Sequence[OtherFlow] = ()) -> str | None:
    """Explain why a CdA is that of holes that may have run partly on vapour; ``None`` where they ran full."""
    if not here.warmth_told:
        return (
            f"The CdA is not carried: no thermometer at the outlet told how warm the {here.liquid} was, which anywhere "
            "up to boiling at tank pressure may have flashed in the injector. Flow it again with one"
        )
    needed = cavitation.back_pressure_needed(here.inlet[0], here.vapour_pressure or 0.0)
    least = here.least_cavitation_number
    return cavitation.refusal(least, rounding=here.rounding, cda=measured, others=others, needed=needed)


def _carry_same_liquid(measured: Measured, here: Side, there: Side, others: Sequence[OtherFlow]) -> CarriedCda:
    if here.liquid != there.liquid:
        said = f"The CdA is not carried: the viscosity of {here.liquid}, the liquid that flowed, is not known here."
        return CarriedCda(measured=measured, carried=None, reynolds=None, reynolds_there=None, remarks=(said,))
    added = reynolds_u(_ratio(_range(measured.value, here, 1e-3), _range(measured.value, there, 1e-3)))
    said = f"The same liquid, its viscosity not known here, so that only the flow's speed counts: {_added_words(added)}"
    return CarriedCda(
        measured=measured,
        carried=_widened(measured, added),
        reynolds=None,
        reynolds_there=None,
        remarks=(said, *_cavitation(measured, here, there, others)),
    )


def side_refusal(tank: str, basis: str) -> str | None:
    """Explain why nothing of a kind of run is carried to a tank; ``None`` where it may be."""
    if basis == ASSUMED or tank not in kind_named(basis).not_for:
        return None
    return f"tank {tank}: nothing of a {basis} is carried to it, which stands in for the other side alone"


def exponent_refusal(tank: str, liquid: str, basis: str) -> str | None:
    """Explain why an exponent from warm liquid does not apply to a cryogenic tank; ``None`` where it may."""
    never = side_refusal(tank, basis)
    if never is not None or basis == ASSUMED:
        return never
    kind, cold = kind_named(basis), is_cryogenic(liquid)
    if kind.boiling_liquid and not cold:
        return f"tank {tank}: the ullage exponent of a {basis}, whose gas is chilled, does not carry over to {liquid}"
    if not kind.warm_liquid or not cold:
        return None
    return (
        f"tank {tank}: the ullage exponent of a {basis} does not carry over to {liquid}: the gas there is chilled "
        "by liquid and wall, and exponents of 1.4 to 2.6 have been computed where water gives 1.1 to 1.45"
    )


REFUSAL_ADVICE = (
    f'. Take exponent_basis "{ASSUMED}" with a wide u, or a "{NITROGEN_FLOW.name}" with the flight pressurant, or give '
    'your reason as exponent_override = "..."; it is printed in the report'
)


def carry_exponent(
    tank: str, *, start: Measured, drift: Measured, here: Ullage, there: Ullage, basis: str, reason: str | None = None
) -> CarriedExponent:
    """Carry a local exponent with its drift to the mean exponent of another tank's expansion.

    Parameters
    ----------
    start, drift : Measured
        n0 and c of the law n0 + 2 c L over the flow.
    here, there : Ullage
        Of the flow, and of the tank it is carried to.
    basis : str
        Kind of the run it comes from, as a plan writes it.
    reason : str, optional
        Why it is to be carried in spite of a refusal.

    Notes
    -----
    n = ns' - (ns - n0 - c L) h^0.4 with h = (t'/t) (P/P')^(1/3), primes for the tank to come: ns isentropic chord, t
    duration, P start pressure, L the log ratio to come. Free convection passes heat as the two-thirds power of density,
    the gas holds heat as density. u holds those of n0 and c as if independent, and 15 % of what heat took. Derived.
    """
    refusal = exponent_refusal(tank, there.liquid, basis)
    boils = basis != ASSUMED and kind_named(basis).boiling_liquid
    advice = "" if refusal is None or boils else REFUSAL_ADVICE
    if refusal is None and here.pressurant.lower() != there.pressurant.lower():
        refusal = (
            f"tank {tank}: the ullage exponent of {here.pressurant} does not carry over to {there.pressurant}: another "
            "gas has another isentropic exponent and takes up heat otherwise"
        )
    if refusal is None and boils:
        refusal = _unlike(tank, here, there, basis)
    if refusal is not None and (reason is None or side_refusal(tank, basis) is not None):
        return CarriedExponent(None, refusal + advice, ())
    if boils:
        return _as_it_was(start, drift, there, basis, (refusal, reason))
    L = there.end_log_ratio
    at_flow = start.value + drift.value * L
    here_chord, there_chord = here.isentropic_chord, there.isentropic_chord
    if here_chord is None or there_chord is None:
        here_chord = there_chord = start.value  # without heat a gas would keep the exponent that it started with
    heat = there.duration / here.duration * math.cbrt(here.start_pressure / there.start_pressure)
    scale = heat**HEAT_POWER
    lost = scale * (here_chord - at_flow)
    value = there_chord - lost
    u = math.hypot(scale * start.u, scale * drift.u * L, HEAT_SHARE * lost)
    remarks = [
        f"Exponent {start.value:.3f} at the start, drift {drift.value:+.3f}; over ln(V/V0) = {L:.3f} as there, heat "
        f"takes {lost:.3f} off the mean isentropic exponent of {there_chord:.3f} ({scale:.2f} times as much as in the "
        "flow)."
    ]
    return CarriedExponent(Measured(value, u, "1"), refusal, (*remarks, *_in_spite(refusal, reason)))


def _in_spite(refusal: str | None, reason: str | None) -> list[str]:
    return [] if refusal is None else [f"Carried in spite of this: {refusal}. Reason given: {reason}."]


def _unlike(tank: str, here: Ullage, there: Ullage, basis: str) -> str | None:
    """Explain in what a tank to come differs from a chilled one, whose exponent holds for its own kind alone."""
    said = f"tank {tank}: the ullage exponent of a {basis} holds for the same gas, wall, fill and hold time alone"
    if here.wall is None or there.wall is None:
        return f"{said}, and not both plans state wall_material"
    if here.wall != there.wall:
        return f"{said}, and the wall is of {there.wall}, not of {here.wall}"
    if here.fill is None or there.fill is None:
        return f"{said}, and the fill is not known"
    if abs(here.fill - there.fill) > FILL_APART:
        return f"{said}, and the tank is filled to {100.0 * there.fill:.0f} %, not to {100.0 * here.fill:.0f} %"
    return None


def _as_it_was(
    start: Measured, drift: Measured, there: Ullage, basis: str, spite: tuple[str | None, str | None]
) -> CarriedExponent:
    """Carry the exponent of chilled gas as it was: what heat does there is not known well enough to scale it."""
    L, least = there.end_log_ratio, kind_named(basis).least_exponent_u
    value, u = start.value + drift.value * L, max(least, math.hypot(start.u, drift.u * L))
    remark = (
        f"Exponent {start.value:.3f} at the start, drift {drift.value:+.3f}; over ln(V/V0) = {L:.3f} as there "
        f"{value:.3f}, with u no less than {least:g}. It holds for the same gas, wall, fill and hold time before the "
        "opening alone."
    )
    return CarriedExponent(Measured(value, u, "1"), spite[0], (remark, *_in_spite(*spite)))


def plan_lines(
    cda: Measured | None, cda_basis: str, exponent: CarriedExponent | None, basis: str, reason: str | None
) -> tuple[str, ...]:
    """Write the carried values as lines of a plan's ``[[tank]]``."""
    lines: list[str] = []
    if cda is not None:
        lines += [f'feed_cda = "{_typed(cda.value * 1e6, cda.u * 1e6)} mm2"', f'cda_basis = "{cda_basis}"']
    if exponent is not None and exponent.carried is not None:
        n = exponent.carried
        lines += [f'ullage_exponent = "{_typed(n.value, n.u)}"', f'exponent_basis = "{basis}"']
        if exponent.refusal is not None and reason is not None:
            quoted = " ".join(reason.split()).replace("\\", "\\\\").replace('"', '\\"')
            lines.append(f'exponent_override = "{quoted}"')
    return tuple(lines)


def _range(cda: float, side: Side, viscosity: float) -> tuple[float, float]:
    found = [equivalent_reynolds(cda, density=side.density, drop=drop, viscosity=viscosity) for drop in side.drops]
    return min(found), max(found)


def _ratio(one: tuple[float, float], other: tuple[float, float]) -> float:
    """Return the ratio of two ranges of Reynolds numbers by their geometric means; no flow: the unknown ratio."""
    if min(*one, *other) <= 0.0:
        return UNKNOWN_RATIO
    return math.sqrt(one[0] * one[1] / (other[0] * other[1]))


def _widened(measured: Measured, added: float) -> Measured:
    return Measured(measured.value, math.hypot(measured.u, added * measured.value), measured.unit)


def _added_words(added: float) -> str:
    return f"{100.0 * added:.1f} % is added to u, as if {100.0 * FRICTION_SHARE:.0f} % of the loss were wall friction."


def _laminar(side: Side, reynolds: tuple[float, float]) -> str | None:
    if reynolds[0] >= TURBULENT:
        return None
    return (
        f"The CdA is not carried: {side.liquid} flows at a Reynolds number of {reynolds[0]:,.0f}, below "
        f"{TURBULENT:,.0f}, where the discharge coefficient changes with it. Flow it at a greater pressure drop."
    )


def _cavitation(measured: Measured, here: Side, there: Side, others: Sequence[OtherFlow]) -> list[str]:
    """Say what of vapour in the injector is near in the flow, and what awaits the liquid in the other run."""
    near = cavitation.remark(here.least_cavitation_number, rounding=here.rounding, cda=measured, others=others)
    said = [near] if near is not None else []
    least = there.least_cavitation_number
    if there.vapour_pressure is not None and least < cavitation.critical_number(there.rounding):
        said.append(
            f"Cavitation number {least:.2f} there, below {cavitation.critical_number(there.rounding):.2g}: the liquid "
            "may flash in the injector and less of it pass than this CdA says."
        )
    return said


def _typed(value: float, u: float) -> str:
    """Write value and u with two significant digits of u, so that u is not rounded by more than a twentieth."""
    digits = max(0, 1 - math.floor(math.log10(u))) if u > 0.0 else 3
    return f"{value:.{digits}f} +/- {u:.{digits}f}"
