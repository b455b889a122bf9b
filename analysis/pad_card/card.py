"""Choose what stands on the pad card: predicted bands at five times, limits, loads, rules, all rounded outward.

The bands are those of the live screen at the same instant, so that card and screen agree.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

from standbook.analysis.prediction.live_bands import live_bands
from standbook.analysis.report.content.number_format import fixed
from standbook.analysis.results.prediction import Prediction
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Call, Decision, Plan, Redline
from standbook.daq.config.stand import Stand

FIRST = 2.0  # s after T-0
COLUMNS = 5
BAR, BAR_STEP, FORCE_STEP = 1e5, 0.1, 10.0  # Pa, bar, N
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


def pad_card(
    plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration], prediction: Prediction, *, heading: str
) -> PadCard:
    """Make the card of a plan.

    Parameters
    ----------
    plan, stand, calibrations
        As locked, or as they are.
    prediction : Prediction
        Of that plan.
    heading : str
        "LOCKED 2031-06-14 09:12 UTC 16f535f0", or that it is not.
    """
    times = card_times(plan, prediction)
    bands = live_bands(prediction, stand, calibrations)
    groups = [
        (f"{tank.name} tank", [i.tag for i in stand.measuring(measurands.TANK_PRESSURE, tank.name)], tank.name)
        for tank in plan.tank
    ]
    if plan.kind.fires:
        groups.append(("chamber", [i.tag for i in stand.measuring(measurands.CHAMBER_PRESSURE)], ""))
        groups.append((measurands.THRUST, [i.tag for i in stand.measuring(measurands.THRUST)], ""))
    rows = tuple(
        _row(label, tags, tank, times, bands=bands, prediction=prediction, calibrations=calibrations)
        for label, tags, tank in groups
        if tags
    )
    rules = _rules(plan)
    return PadCard(
        number=plan.test.number,
        kind=plan.test.kind,
        article=plan.test.article,
        stand=stand.name,
        heading=heading,
        times=("before T-0", *(f"T+{time:g} s" for time in times)),
        rows=rows,
        sentences=tuple(_sentences(plan, prediction)),
        vessels=tuple(_vessels(plan)),
        rules=rules,
        is_incomplete=not (rules["hold"] and rules["abort"]),
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


def _row(
    label: str,
    tags: list[str],
    tank: str,
    times: tuple[float, ...],
    *,
    bands: object,
    prediction: Prediction,
    calibrations: Mapping[str, Calibration],
) -> CardRow:
    tag = tags[0]
    is_force = label == measurands.THRUST
    scale, step = (1.0, FORCE_STEP) if is_force else (BAR, BAR_STEP)
    gauge = tag not in calibrations or calibrations[tag].reference == "gauge"
    found = [_before(label, tank, prediction, gauge=gauge)]
    found += [bands(tag, time) for time in times]  # type: ignore[operator]
    return CardRow(
        label=label,
        tags=", ".join(tags[:2]),
        unit="N" if is_force else f"bar({'g' if gauge else 'a'})",
        bands=tuple(_band(band, scale, step) for band in found),
        has_gauge=bool(tank),
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


def _band(band: tuple[float, float] | None, scale: float, step: float) -> str:
    if band is None:
        return NOTHING
    low, high = outward(band[0] / scale, band[1] / scale, step)
    return low if low == high else f"{low}\N{EN DASH}{high}"


def _sentences(plan: Plan, prediction: Prediction) -> list[str]:
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
        said.append(f"Limit {fixed(margin.limit, 0)} N·s; predicted upper bounds: site {site}, vacuum {vacuum}")
    caught = prediction.scalars.get("expelled mass")
    if not plan.kind.fires and caught is not None:
        said.append(f"Caught {caught.low:.2f} to {caught.high:.2f} kg")
    return said


def _vessels(plan: Plan) -> list[str]:
    lines = []
    for tank in plan.tank:
        known = (("nameplate", tank.nameplate_pressure), ("relief", tank.relief_set_pressure))
        limits = ", ".join(f"{word} {quantity.text if quantity is not None else NOTHING}" for word, quantity in known)
        lines.append(f"{tank.name}: {limits}; load {tank.liquid_load.text}")
    return lines


def _rules(plan: Plan) -> dict[Call, tuple[str, ...]]:
    """Collect hold, abort and repeat: the plan's words, redlines that no rule names, what a run is kept for."""
    redlines = {line.name: line for line in plan.redline}
    rules: dict[Call, list[str]] = {"hold": [], "abort": [], "repeat": []}
    for decision in plan.decision:
        rules[decision.call].append(_rule(decision, redlines))
    named = {decision.redline for decision in plan.decision}
    rules["abort"] += [_limit(line) for line in plan.redline if line.name not in named]
    if plan.test.minimum_data:
        rules["repeat"].append(f"{', '.join(plan.test.minimum_data)} not all there")
    rules["repeat"].append(f"more than {plan.test.repeat_if_lost_longer_than.text} lost between T-0 and the end")
    return {call: tuple(lines) for call, lines in rules.items()}


def _rule(decision: Decision, redlines: Mapping[str, Redline]) -> str:
    limit = _limit(redlines[decision.redline]) if decision.redline is not None else ""
    return ": ".join(part for part in (limit, decision.words.strip()) if part)


def _limit(line: Redline) -> str:
    side, stated = ("below", line.below) if line.below is not None else ("above", line.above)
    text = stated.text if stated is not None else NOTHING
    after = f" from T+{line.after.text}" if line.after is not None else ""
    return f"{line.call}: {line.tag} {side} {text}{after}"
