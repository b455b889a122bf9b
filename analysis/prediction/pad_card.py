"""Write a prediction in words and as a pad card: expected readings with their times, for the people at the stand.

Sentences show N*s, N, kg, s and bar(a); the card holds SI, absolute pressures.
"""

from dataclasses import dataclass

import numpy as np
from scipy.constants import bar

from standbook.analysis.results.prediction import Band, ClassNumber, Prediction
from standbook.daq.config import measurands
from standbook.daq.kinds.registry import kind_named

PAD_CARD_TIMES = (0.0, 2.0, 5.0, 10.0)  # after the opening [s]; the depletion follows
_FIRING_CARD = (
    measurands.THRUST,
    measurands.CHAMBER_PRESSURE,
    measurands.of_tank(measurands.TANK_PRESSURE, "oxidiser"),
    measurands.of_tank(measurands.TANK_PRESSURE, "fuel"),
)


@dataclass(frozen=True, slots=True)
class Expected:
    """One reading with its 95 % band; pressures absolute."""

    nominal: float
    low: float
    high: float
    unit: str


@dataclass(frozen=True, slots=True)
class PadCardRow:
    """Expected gauge readings at one instant."""

    label: str
    time: float  # after the opening, nominal for the end [s]
    readings: dict[str, Expected]


def pad_card(prediction: Prediction) -> tuple[PadCardRow, ...]:
    """Return the expected readings at the card's times, as far as the nominal run reaches, and at its end."""
    kind = kind_named(prediction.kind)
    end = prediction.scalars[kind.duration].nominal
    names = _FIRING_CARD if kind.fires else tuple(prediction.quantities)
    rows = [
        PadCardRow(
            f"T+{time:g} s" if time else "T-0",
            time,
            {name: _reading(prediction, name, time) for name in names},
        )
        for time in PAD_CARD_TIMES
        if time < end
    ]
    closed = not kind.fires and end < prediction.scalars["run-out time"].nominal
    last = {name: _at_end(prediction, name, end) for name in names}
    return (*rows, PadCardRow("valve closed" if closed else "depletion", end, last))


def prediction_sentences(prediction: Prediction) -> tuple[str, ...]:
    """Describe the prediction in a few sentences."""
    if kind_named(prediction.kind).fires:
        return _firing_sentences(prediction)
    if "run-out time" not in prediction.scalars:
        return _held_sentences(prediction)
    return _flow_sentences(prediction)


def _held_sentences(prediction: Prediction) -> tuple[str, ...]:
    """Describe a hold: the pressure that stays, and what would move it."""
    found, said = prediction.scalars, []
    minutes = found[kind_named(prediction.kind).duration].nominal / 60.0
    for name, band in prediction.quantities.items():
        tank = name.partition("/")[2]
        lost, warm = (
            found[f"pressure {what}/{tank}"].nominal for what in ("lost by a leak at the limit", "moved by the room")
        )
        said.append(
            f"{tank.capitalize()} {float(band.nominal[0]) / bar:.2f} bar(a), held {minutes:.0f} min after settling; a"
            f" leak at the limit would take {1e3 * lost / bar:.1f} mbar, the room's temperature may move it by"
            f" {1e3 * warm / bar:.1f} mbar: read the tank's."
        )
    return tuple(said)


def _reading(prediction: Prediction, name: str, time: float) -> Expected:
    band: Band = prediction.quantities[name]
    nominal, low, high = (float(np.interp(time, prediction.time, v)) for v in (band.nominal, band.low, band.high))
    return Expected(nominal, low, high, band.unit)


def _at_end(prediction: Prediction, name: str, end: float) -> Expected:
    """Return each sample's own end where the prediction has it, else the reading at the nominal end."""
    quantity, _, tank = name.partition("/")
    scalars = prediction.scalars
    for candidate in (f"{quantity} at end/{tank}", f"{quantity} at end"):
        if candidate in scalars:
            found = scalars[candidate]
            return Expected(found.nominal, found.low, found.high, found.unit)
    return _reading(prediction, name, end)


def _firing_sentences(prediction: Prediction) -> tuple[str, ...]:
    found = prediction.scalars
    start, end, burn = found["thrust at start"], found["thrust at end"], found["burn time"]
    sentences = [
        f"Thrust {start.nominal:,.0f} N ({start.low:,.0f} to {start.high:,.0f}) at the start, {end.nominal:,.0f} N"
        f" ({end.low:,.0f} to {end.high:,.0f}) at depletion after {burn.nominal:.1f} s ({burn.low:.1f} to"
        f" {burn.high:.1f}).",
    ]
    chamber = [found[f"chamber pressure at {when}"].nominal / bar for when in ("start", "end")]
    tanks = ", ".join(
        f"{name} {found[f'tank pressure at start/{name}'].nominal / bar:.1f} to"
        f" {found[f'tank pressure at end/{name}'].nominal / bar:.1f}"
        for name in ("oxidiser", "fuel")
    )
    sentences.append(f"Pressures in bar(a): chamber {chamber[0]:.1f} to {chamber[1]:.1f}, tanks {tanks}.")
    margin = prediction.class_margin
    if margin is not None:
        band = found["impulse"]
        sentences.append(
            f"Total impulse at site {_impulse(margin.site, margin.guard_share)} against {margin.limit:,.0f} N*s"
            f" ({margin.limit_name}); band {band.low:,.0f} to {band.high:,.0f}."
        )
        sentences.append(f"Referred to vacuum {_impulse(margin.vacuum, margin.guard_share)}.")
        if margin.full_site is not None and margin.full_vacuum is not None:
            sentences.append(
                f"Tanks as full as the hardware permits: site {_impulse(margin.full_site, margin.guard_share)};"
                f" vacuum {_impulse(margin.full_vacuum, margin.guard_share)}."
            )
        else:
            sentences.append("Tanks as full as the hardware permits: not known, nothing in the plan limits the load.")
    check = prediction.lift_off
    if check is not None:
        sentences.append(
            f"Lift-off thrust over weight {check.ratio:.2f}, lower bound {check.lower:.2f}, required"
            f" {check.required:.2f} at {check.mass:.1f} kg: {'condition met' if check.holds else 'condition not met'}."
        )
    if prediction.contributions:
        first = prediction.contributions[0]
        sentences.append(f"What widens the impulse most: {first.source}, {first.u:,.0f} N*s (standard uncertainty).")
    return tuple(sentences)


def _impulse(number: ClassNumber, guard_share: float) -> str:
    return (
        f"{number.nominal:,.0f} N*s, {100.0 * number.share_of_limit:.1f} % of the limit, {100.0 * guard_share:g} %"
        f" upper bound {number.upper:,.0f} N*s ({100.0 * number.upper_share_of_limit:.1f} %)"
    )


def _flow_sentences(prediction: Prediction) -> tuple[str, ...]:
    found = prediction.scalars
    flow, out, mass = found[kind_named(prediction.kind).duration], found["run-out time"], found["expelled mass"]
    start, end = found["tank pressure at start"], found["tank pressure at end"]
    first, last = found["mass flow at start"], found["mass flow at end"]
    closed = flow.nominal < out.nominal
    sentences = [
        f"Tank pressure {start.nominal / bar:.2f} bar(a) ({start.low / bar:.2f} to {start.high / bar:.2f}) at the"
        f" opening, {end.nominal / bar:.2f} bar(a) ({end.low / bar:.2f} to {end.high / bar:.2f}) at"
        f" {'closing' if closed else 'depletion'} after {flow.nominal:.1f} s.",
        f"Flow {first.nominal:.3f} kg/s ({first.low:.3f} to {first.high:.3f}) falling to {last.nominal:.3f} kg/s"
        f" ({last.low:.3f} to {last.high:.3f}).",
        f"Expelled {mass.nominal:.2f} kg ({mass.low:.2f} to {mass.high:.2f}); depletion"
        f"{' would come' if closed else ''} at {out.nominal:.1f} s ({out.low:.1f} to {out.high:.1f}).",
    ]
    if prediction.contributions:
        term, unit = prediction.contributions[0], found[prediction.main_number].unit
        sentences.append(
            f"What widens the {prediction.main_number} most: {term.source}, {term.u:.3g} {unit} (standard uncertainty)."
        )
    return tuple(sentences)
