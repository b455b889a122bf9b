"""Choose what stands on the pad card: predicted bands at five times, limits, loads, rules, all rounded outward.

The bands are those of the live screen at the same instant, so that card and screen agree.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NamedTuple

from standbook.analysis.prediction.live_bands import live_bands
from standbook.analysis.report.content.number_format import fixed, pound_force_seconds
from standbook.analysis.results.prediction import Prediction
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Call, Decision, Plan, Redline
from standbook.daq.config.stand import Stand
from standbook.daq.display_units import Chosen, other_units, shown_text, shown_unit
from standbook.daq.quantity import Quantity, dimension_of, in_unit

FIRST = 2.0  # s after T-0
COLUMNS = 5
STEPS = {"pressure": 1e4, "force": 10.0}  # SI, to which bands are rounded, or a power of ten of the unit below it
UNDER = 1.5  # a step may be so much coarser: 1 psi for 0.1 bar
NOTHING, NONE = "--", "none in the plan"


@dataclass(frozen=True, slots=True, kw_only=True)
class CardRow:
    """One gauge: its bands at the card's times."""

    label: str
    tags: str  # "PT-11, PT-12"
    unit: str
    bands: tuple[str, ...]  # as many as there are times
    has_gauge: bool  # a mechanical one hangs beside, to be written in


@dataclass(frozen=True, slots=True, kw_only=True)
class PadCard:
    """Content of one card."""

    number: str
    kind: str
    article: str
    stand: str
    heading: str  # locked when, or that it is not
    times: tuple[str, ...]
    rows: tuple[CardRow, ...]
    sentences: tuple[str, ...]  # end, limit, bounds
    vessels: tuple[str, ...]  # nameplate, relief, load of each tank
    rules: Mapping[Call, tuple[str, ...]]
    is_incomplete: bool  # a box has nothing to print
    mass_unit: str = "kg"  # of what is written in
    force_unit: str = "N"
    foreign: tuple[str, ...] = ()  # rules whose own words hold another unit than the card's, as typed


def pad_card(
    plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration], prediction: Prediction, *, heading: str
) -> PadCard:
    """Make the card of a plan.

    Parameters
    ----------
    plan, stand, calibrations
        As locked, or as they are; the stand says in which units the card is.
    prediction : Prediction
        Of that plan.
    heading : str
        "LOCKED 2031-06-14 09:12 UTC 16f535f0", or that it is not.
    """
    times, chosen = card_times(plan, prediction), stand.display.chosen
    bands = live_bands(prediction, stand, calibrations)
    rows = tuple(
        _row(gauge, times, bands=bands, prediction=prediction, calibrations=calibrations, chosen=chosen)
        for gauge in _gauges(plan, stand)
        if gauge.tags
    )
    rules = _rules(plan, chosen)
    return PadCard(
        number=plan.test.number,
        kind=plan.test.kind,
        article=plan.test.article,
        stand=stand.name,
        heading=heading,
        times=("before T-0", *(f"T+{time:g} s" for time in times)),
        rows=rows,
        sentences=tuple(_sentences(plan, prediction, chosen)),
        vessels=tuple(_vessels(plan, chosen)),
        rules=rules,
        is_incomplete=not (rules["hold"] and rules["abort"]),
        mass_unit=shown_unit("kg", chosen),
        force_unit=shown_unit("N", chosen),
        foreign=tuple(rule.words for rule in plan.decision if other_units(rule.words, chosen)),
    )


def card_times(plan: Plan, prediction: Prediction) -> tuple[float, ...]:
    """Return its times after T-0: 2 s, the last whole second before the earliest end, two evenly between. [s]."""
    length = prediction.scalars.get(plan.kind.duration)
    last = math.floor(length.low) if length is not None else 10.0
    last = max(last, FIRST)
    between = [round(FIRST + share * (last - FIRST)) for share in (1.0 / 3.0, 2.0 / 3.0)]
    return tuple(dict.fromkeys(float(time) for time in (FIRST, *between, last)))


def outward(low: float, high: float, step: float) -> tuple[str, str]:
    """Round a band to a step so that it never becomes narrower."""
    places = max(0, -math.floor(math.log10(step)))
    edges = (step * math.floor(low / step + 1e-9), step * math.ceil(high / step - 1e-9))
    return fixed(edges[0], places), fixed(edges[1], places)


def step_in(unit: str) -> float:
    """Return the step to which bands in a unit are rounded, a power of ten of it: 0.1 bar, 1 psi, 10 kPa, 10 N."""
    dimension = dimension_of(unit)
    return 10.0 ** math.floor(math.log10(UNDER * in_unit(STEPS[dimension], unit)))


class _Gauge(NamedTuple):
    label: str
    tags: list[str]
    tank: str


def _gauges(plan: Plan, stand: Stand) -> list[_Gauge]:
    def tags(measures: str, tank: str | None = None) -> list[str]:
        return [item.tag for item in stand.measuring(measures, tank)]

    tanks = [_Gauge(f"{t.name} tank", tags(measurands.TANK_PRESSURE, t.name), t.name) for t in plan.tank]
    if not plan.kind.fires:
        return tanks
    chamber = _Gauge("chamber", tags(measurands.CHAMBER_PRESSURE), "")
    return [*tanks, chamber, _Gauge(measurands.THRUST, tags(measurands.THRUST), "")]


def _row(
    of: _Gauge,
    times: tuple[float, ...],
    *,
    bands: object,
    prediction: Prediction,
    calibrations: Mapping[str, Calibration],
    chosen: Chosen,
) -> CardRow:
    tag = of.tags[0]
    gauge = tag not in calibrations or calibrations[tag].reference == "gauge"
    found = [_before(of.label, of.tank, prediction, gauge=gauge)]
    found += [bands(tag, time) for time in times]  # type: ignore[operator]
    unit = shown_unit("N" if of.label == measurands.THRUST else f"bar({'g' if gauge else 'a'})", chosen)
    return CardRow(
        label=of.label,
        tags=", ".join(of.tags[:2]),
        unit=unit,
        bands=tuple(_band(band, unit) for band in found),
        has_gauge=bool(of.tank),
    )


def _before(label: str, tank: str, prediction: Prediction, *, gauge: bool) -> tuple[float, float] | None:
    """Return what is read before T-0: the tank's pressure at the start; no thrust, an open chamber."""
    off = prediction.ambient_pressure if gauge else 0.0
    if label == measurands.THRUST:
        return (0.0, 0.0)
    if not tank:
        level = 0.0 if gauge else prediction.ambient_pressure
        return (level, level)
    start = "tank pressure at start"
    found = prediction.scalars.get(f"{start}/{tank}") or prediction.scalars.get(start)
    return None if found is None else (found.low - off, found.high - off)


def _band(band: tuple[float, float] | None, unit: str) -> str:
    if band is None:
        return NOTHING
    low, high = outward(in_unit(band[0], unit), in_unit(band[1], unit), step_in(unit))
    return low if low == high else f"{low}\N{EN DASH}{high}"


def _sentences(plan: Plan, prediction: Prediction, chosen: Chosen) -> list[str]:
    said = []
    length = prediction.scalars.get(plan.kind.duration)
    if length is not None:
        low, high = (f"T+{value:.1f} s" for value in (length.low, length.high))
        said.append(f"{plan.kind.part.capitalize()} ends {low}" + ("" if low == high else f" to {high}"))
    if plan.engine is not None and plan.engine.run_out_first:
        said.append(f"{plan.engine.run_out_first.capitalize()} is to be depleted first")
    margin = prediction.class_margin
    if margin is not None:
        site, vacuum = (fixed(number.upper, 0) for number in (margin.site, margin.vacuum))
        beside = f" ({pound_force_seconds(margin.limit)})" if chosen.get("force") == "lbf" else ""
        said.append(f"Limit {fixed(margin.limit, 0)} N·s{beside}; predicted upper bounds: site {site}, vacuum {vacuum}")
    caught = prediction.scalars.get("expelled mass")
    if not plan.kind.fires and caught is not None:
        unit = shown_unit("kg", chosen)
        said.append(f"Caught {in_unit(caught.low, unit):.2f} to {in_unit(caught.high, unit):.2f} {unit}")
    return said


def _vessels(plan: Plan, chosen: Chosen) -> list[str]:
    lines = []
    for tank in plan.tank:
        known = (("nameplate", tank.nameplate_pressure), ("relief", tank.relief_set_pressure))
        limits = ", ".join(f"{word} {_typed(quantity, chosen)}" for word, quantity in known)
        lines.append(f"{tank.name}: {limits}; load {_typed(tank.liquid_load, chosen)}")
    return lines


def _typed(quantity: Quantity | None, chosen: Chosen) -> str:
    return NOTHING if quantity is None else shown_text(quantity, chosen)


def _rules(plan: Plan, chosen: Chosen) -> dict[Call, tuple[str, ...]]:
    """Collect hold, abort and repeat: the plan's words, redlines that no rule names, what a run is kept for."""
    redlines = {line.name: line for line in plan.redline}
    rules: dict[Call, list[str]] = {"hold": [], "abort": [], "repeat": []}
    for decision in plan.decision:
        rules[decision.call].append(_rule(decision, redlines, chosen))
    named = {decision.redline for decision in plan.decision}
    rules["abort"] += [_limit(line, chosen) for line in plan.redline if line.name not in named]
    if plan.test.minimum_data:
        rules["repeat"].append(f"{', '.join(plan.test.minimum_data)} not all there")
    rules["repeat"].append(f"more than {plan.test.repeat_if_lost_longer_than.text} lost between T-0 and the end")
    return {call: tuple(lines) for call, lines in rules.items()}


def _rule(decision: Decision, redlines: Mapping[str, Redline], chosen: Chosen) -> str:
    limit = _limit(redlines[decision.redline], chosen) if decision.redline is not None else ""
    return ": ".join(part for part in (limit, decision.words.strip()) if part)


def _limit(line: Redline, chosen: Chosen) -> str:
    side, stated = ("below", line.below) if line.below is not None else ("above", line.above)
    after = f" from T+{line.after.text}" if line.after is not None else ""
    return f"{line.call}: {line.tag} {side} {_typed(stated, chosen)}{after}"
