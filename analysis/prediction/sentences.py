"""Write a prediction in words. Sentences show N*s, N, kg, s and bar(a)."""

from scipy.constants import bar

from standbook.analysis.results.prediction import ClassNumber, Prediction
from standbook.daq.kinds.registry import kind_named


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
