"""Build the evidence about the run: thrust, impulse, tanks, engine, events, comparison with the prediction."""

from collections.abc import Mapping

from markupsafe import Markup

from standbook.analysis.findings.thrust import NOZZLE_NOT_FULL
from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import (
    Block,
    Cell,
    Register,
    Section,
    Table,
    Text,
    budget_table,
    measured_rows,
    picture,
    quantity_table,
)
from standbook.analysis.report.content.context import PredictedScalar, ReportContext, TankPlan
from standbook.analysis.report.content.foresight import foresight, side_word
from standbook.analysis.report.figures import figures
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ImpulseResult, Results, TankResult
from standbook.analysis.signal.band_comparison import ranked
from standbook.daq.kinds.registry import kind_named

Curves = Mapping[str, Curve]

NOZZLE_TEXT = {
    "down": "nozzle down: weight that leaves the cell reads as more thrust",
    "up": "nozzle up: weight that leaves the cell reads as less thrust",
    "horizontal": "horizontal: the cell does not feel weight",
}
ULLAGE_PAIR = "exponent, ullage volume"
FACT_WORDS = {False: "Conditions not met", True: "Conditions met"}  # what is not met comes first


def thrust(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show thrust with window and events."""
    blocks: list[Block] = list(
        picture(
            figures.thrust(curves, results.events, results.window),
            "Thrust after zero and weight correction. The shaded part is what the impulse sums; circled numbers are "
            "the events of the table below. The grey envelope is the minimum and maximum sample of each short block: "
            "stand ringing, which sums to nothing.",
        )
        or (Text(register.why(*context.stand.thrust_tags)),)
    )
    found = results.thrust
    rows = measured_rows(
        register,
        [
            ("Peak thrust", found.peak if found else None, None),
            ("Mean thrust over the burn time", found.mean if found else None, None),
            ("Thrust at the start", found.at_start if found else None, None),
            ("Thrust at the end", found.at_end if found else None, None),
            ("Burn time", results.burn_time, None),
        ],
        context.stand.thrust_tags,
    )
    blocks.append(quantity_table(rows))
    if found is not None:
        blocks.append(Text(found.definition))
    return Section(
        anchor="thrust",
        title="Thrust",
        lead="How hard the engine pushed, and for how long: the shaded area is the total impulse that the "
        "limit is about.",
        blocks=tuple(blocks),
        symbols=(("u", "standard uncertainty: about two chances in three that the true value lies within one u"),),
    )


def events(results: Results, register: Register) -> Section:
    """List events with their uncertainty and method."""
    rows = tuple(
        (str(number), event.name, number_format.seconds(event.time), number_format.milliseconds(event.u), event.method)
        for number, event in enumerate(results.events, start=1)
    )
    block: Block = (
        Table(head=("", "Event", "Time", "u", "Found by"), rows=rows, figures=frozenset({2, 3}))
        if rows
        else Text(register.why())
    )
    return Section(
        anchor="events",
        title="Events",
        lead="When things happened, each found by a named method: burn time and depletion come from these instants.",
        blocks=(block,),
        symbols=(("T-0", results.t_zero.source if results.t_zero else "not known: times count from the first row"),),
    )


def load_cell(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show the load cell before correction."""
    correction = results.weight_correction
    stand = context.stand
    tanks = "tanks ride on the cell" if stand.tanks_on_cell else "tanks are off the cell"
    rows: list[tuple[Cell, ...]] = [("Geometry", f"{NOZZLE_TEXT.get(stand.nozzle, stand.nozzle)}; {tanks}")]
    if correction is not None:
        mass = number_format.show(correction.expelled_mass).with_u if correction.expelled_mass else register.why()
        rows += [
            ("Expelled mass", mass),
            ("Correction", "applied" if correction.applied else "not applied"),
            ("It moved the impulse by", f"{number_format.fixed(correction.impulse, 0)} N·s"),
        ]
    else:
        rows.append(("Correction", register.why(*stand.thrust_tags)))
    for tag in stand.thrust_tags:
        tare = results.tare.get(tag)
        if tare is not None:
            rows.append((f"{tag} unloaded, before", number_format.show(tare.before).with_u))
            after = number_format.show(tare.after).with_u if tare.after else register.why(tag)
            rows.append((f"{tag} unloaded, after", after))
            if tare.drift is not None:
                words = number_format.rough(tare.drift, tare.before.unit)
                rows.append((f"{tag} drift, without the weight that left", words))
    return Section(
        anchor="load-cell",
        title="Load cell before correction",
        lead="What the force sensor itself read: propellant leaving the stand changes its weight, and that is "
        "not thrust.",
        blocks=(
            *picture(
                figures.load_cell(curves, results.window),
                "The cell's reading, zeroed before the run, and the share of the leaving weight that is taken out.",
            ),
            Table(head=("What", "Value"), rows=tuple(rows)),
        ),
    )


def impulse(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show cumulative impulse and uncertainty budget."""
    found = results.impulse
    verdict = results.verdicts.get("site")
    blocks: list[Block] = list(
        picture(
            figures.cumulative_impulse(curves, verdict),
            "Thrust summed from the start of the window. The band is the 95 % interval of what is summed so far.",
        )
    )
    if found is None:
        blocks.append(Text(register.why(*context.stand.thrust_tags)))
    else:
        if results.window is not None:
            start, end = number_format.seconds(results.window.start), number_format.seconds(results.window.end)
            blocks.append(Text(f"Summed from {start} to {end}."))
        places = (("At site ambient", found), ("Referred to vacuum", results.impulse_vacuum))
        rows = tuple(
            (name, register.why(*context.stand.thrust_tags), "", "", "")
            if value is None
            else _impulse_row(_placed(name, value, found, register), value)
            for name, value in places
        )
        head = ("Total impulse", "Value", "U", "For reading", "Unrecorded")
        blocks.append(Table(head=head, rows=rows, figures=frozenset({1, 2, 3})))
        blocks += picture(figures.budget(found.budget, "N·s", "impulse"), "Sources of uncertainty, largest first.")
        blocks.append(budget_table(found.budget, found.unit, found.value, "Uncertainty budget of the impulse at site."))
    return Section(
        anchor="impulse",
        title="Impulse and uncertainty budget",
        lead="The sum of thrust over time, set against the limit, and what each source of uncertainty adds: "
        "the largest source is the one worth improving.",
        blocks=tuple(blocks),
        symbols=(
            ("U", "expanded uncertainty, k times u: about 95 chances in 100 that the true value lies within U"),
            ("k", "coverage factor"),
            ("vacuum", "impulse as it would be with no air pressing on the nozzle exit; flight approaches it"),
        ),
    )


def _placed(name: str, value: ImpulseResult, site: ImpulseResult, register: Register) -> Cell:
    """Name where an impulse holds, and that it is more than was delivered where the nozzle was not full."""
    link = register.number_of(NOZZLE_NOT_FULL)
    return name if link is None or value is site else Markup("{}, an upper bound ({})").format(name, link)


def _impulse_row(name: Cell, value: ImpulseResult) -> tuple[Cell, ...]:
    shown = number_format.show(Measured(value.value, value.expanded, value.unit))
    k = number_format.plain(value.coverage_factor, 3)
    hidden = f"up to {number_format.fixed(value.unseen, 0)} N·s" if value.unseen else "none"
    return (
        name,
        shown.with_unit,
        f"{shown.u_with_unit} (k = {k})",
        number_format.pound_force_seconds(value.value),
        "lower bound only" if value.lower_bound_only else hidden,
    )


def tanks(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show each tank's pressure, exponent and CdA."""
    blocks: list[Block] = []
    planned = {tank.name: tank for tank in context.plan.tanks}
    for name, tank in results.tanks.items():
        tags = planned[name].pressure_tags if name in planned else ()
        channels = (name, *tags)
        sensors = " and ".join(tags) or "its pressure channels"
        caption = (
            f"{name.capitalize()} tank, by {sensors}: measured, predicted with its 95 % band, and the fit over "
            "the shaded window. Below: what is left after taking each away."
        )
        svg = figures.tank_pressure(curves, name, tank.window, t_zero=results.t_zero is not None)
        blocks += picture(svg, caption) or (Text(register.why(*channels)),)
        rows = _tank_rows(tank, register, channels, firing=kind_named(results.kind).fires)
        blocks.append(quantity_table(rows, f"{name.capitalize()} tank."))
        blocks += _tank_notes(tank)
        if tank.cda_budget and tank.cda is not None:
            blocks.append(
                budget_table(tank.cda_budget, "m2", tank.cda.value, f"Uncertainty budget of CdA, {name} side.")
            )
    blocks += picture(
        figures.ullage(curves, tuple(results.tanks)),
        "A straight line here is a constant exponent; a bend is heat flowing into the gas while it expands.",
    )
    return Section(
        anchor="tanks",
        title="Tanks",
        lead="How each tank's gas expanded while it pushed its liquid out, against what was expected: this decides how "
        "thrust fades and which tank is depleted first.",
        blocks=tuple(blocks),
        symbols=(
            ("CdA", "effective flow area of feed and injector: the area that would pass this flow without loss"),
            ("n", "exponent of the gas above the liquid: pressure falls as volume^n; mean: one n from start to end"),
            ("(a), (g)", "absolute pressure; gauge pressure, counted from the air around"),
            ("ullage", "the gas above the liquid"),
        ),
    )


def engine(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show chamber pressure, injector pressure-drop ratio, performance."""
    found = results.engine
    window = found.window if found else None
    both = "" if window is None else f", T{window[0]:+.2f} to T{window[1]:+.2f} s, both liquids flowing"
    rows = measured_rows(
        register,
        [
            ("Chamber pressure, mean over the burn time", found.chamber_pressure if found else None, "a"),
            (f"Characteristic velocity c*{both}", found.cstar if found else None, None),
            (f"Specific impulse Isp{both}", found.isp if found else None, None),
            (f"Thrust coefficient CF{both}", found.thrust_coefficient if found else None, None),
            (f"Mixture ratio, oxidiser over fuel{both}", found.mixture_ratio if found else None, None),
            ("Delivered Isp, total impulse over all that left", found.delivered_isp if found else None, None),
            ("Mixture ratio of all that left", found.overall_mixture_ratio if found else None, None),
            *(
                (f"Minimum injector pressure-drop ratio, {side}", measured, None)
                for side, measured in (found.injector_stiffness.items() if found else ())
            ),
        ],
        context.stand.chamber_tags,
    )
    return Section(
        anchor="engine",
        title="Engine",
        lead="How well propellant became thrust, and how large the injector's pressure drop was over chamber pressure.",
        blocks=(
            *picture(figures.chamber_pressure(curves, results.window), "Chamber pressure, measured and predicted."),
            *picture(
                figures.injector_stiffness(curves),
                "Pressure drop across feed and injector over chamber pressure. Designers like to stay above the "
                "hatched stripe, a rule of thumb; below it the flow may start to pulse with the chamber.",
            ),
            quantity_table(rows),
        ),
        symbols=(
            ("c*", "chamber pressure times throat area over mass flow: quality of combustion"),
            ("Isp", "impulse per weight of propellant"),
            ("CF", "thrust over chamber pressure times throat area: quality of the nozzle"),
        ),
    )


def comparison(results: Results, context: ReportContext, register: Register) -> Section:
    """Compare measured with predicted values."""
    said = foresight(results)
    blocks: list[Block] = [Text(" ".join(said))] if said else []
    rows: tuple[tuple[Cell, ...], ...] = tuple(
        (
            name.replace("/", ", "),
            number_format.percent(item.share_in_band, 0),
            f"{number_format.fixed(item.worst_departure, 2)} band half-widths{side_word(item)}, "
            f"{_side(abs(item.worst_departure) <= 1.0)}",
            number_format.seconds(item.at, 2),
        )
        for name, item in ranked(results.comparison)
    )
    if rows:
        head = ("Quantity", "Time inside the band", "Farthest from nominal", "At")
        caption = "Curves against their predicted 95 % band, farthest first."
        blocks.append(Table(head=head, rows=rows, figures=frozenset({1, 2, 3}), caption=caption))
    scalars = tuple(_scalar_row(item, register) for item in context.predicted)
    if scalars:
        scalar_head = ("Number", "Predicted", "95 % band", "Measured", "Band")
        blocks.append(Table(head=scalar_head, rows=scalars, figures=frozenset({1, 2, 3}), caption="Single numbers."))
    return Section(
        anchor="comparison",
        title="Prediction against record",
        lead="Whether the crew understood the engine before it ran: a measured curve outside its band means an "
        "assumption "
        "was wrong, and the findings name the likely one.",
        blocks=tuple(blocks) or (Text("No prediction to compare with."),),
        symbols=(
            ("band half-width", "half the height of the predicted band; beyond 1 is outside"),
            ("at the edge", "outside the band by no more than the measurement's own U (k = 2)"),
        ),
    )


def _scalar_row(item: PredictedScalar, register: Register) -> tuple[Cell, ...]:
    """Set one predicted number beside what was measured of it."""
    u = (item.high - item.low) / 4.0  # a quarter of a 95 % band; two digits of it are enough
    bounds = (Measured(value, u, item.unit) for value in (item.nominal, item.low, item.high))
    nominal, low, high = (number_format.show(bound, _reference(item.unit)) for bound in bounds)
    band = f"{low.value} to {high.value}"
    if item.measured is None:
        return (item.name, nominal.with_unit, band, register.why(), "")
    measured = number_format.show(item.measured, _reference(item.unit)).with_u
    return (item.name, nominal.with_unit, band, measured, _place(item.measured, item.low, item.high))


def _place(measured: Measured, low: float, high: float) -> str:
    beyond = max(low - measured.value, measured.value - high)
    return "at the edge" if 0.0 < beyond <= 2.0 * measured.u else _side(beyond <= 0.0)


def _side(inside: bool) -> str:
    return "inside" if inside else "OUTSIDE"


def _reference(unit: str) -> number_format.Reference | None:
    return "a" if unit == "Pa" else None


def _tank_rows(
    tank: TankResult, register: Register, channels: tuple[str, ...], *, firing: bool
) -> tuple[tuple[Cell, ...], ...]:
    exponent = tank.exponent
    # A firing has no joint fit; a finding says so once.
    joint = [("CdA, from the joint fit (cross-check)", tank.cda_joint, None)]
    return measured_rows(
        register,
        [
            ("CdA, from weighed mass", tank.cda, None),
            *(joint if tank.cda_joint is not None or not firing else []),
            ("Exponent n, mean (start to end)", exponent.chord if exponent else None, None),
            ("Exponent n, at the start", exponent.start if exponent else None, None),
            ("Exponent drift", exponent.drift if exponent else None, None),
            ("Expelled mass", tank.expelled_mass, None),
            ("Pressure at the start", tank.start_pressure, "a"),
            ("Pressure at the end", tank.end_pressure, "a"),
        ],
        channels,
    )


def _tank_notes(tank: TankResult) -> tuple[Block, ...]:
    notes: list[str] = []
    if tank.residual_rms is not None:
        notes.append(
            f"Fit leaves {number_format.plain(tank.residual_rms / 100.0, 2)} mbar rms, which alone proves nothing."
        )
    pairs = dict(tank.correlation)
    exponent = tank.exponent
    if exponent is not None and exponent.correlation_with_ullage_volume is not None:
        pairs.setdefault(ULLAGE_PAIR, exponent.correlation_with_ullage_volume)
    if pairs:
        said = "; ".join(f"{pair.replace(', ', ' with ')} {number_format.fixed(r, 2)}" for pair, r in pairs.items())
        notes.append(f"Correlation: {said}.")
    for wanted, words in FACT_WORDS.items():
        facts = "; ".join(fact for fact, holds in tank.facts.items() if holds == wanted)
        notes += [f"{words}: {facts}."] if facts else []
    return (Text(" ".join(notes)),) if notes else ()


def plan_tank_row(tank: TankPlan) -> tuple[Cell, ...]:
    """Write one tank of the plan as a table row."""
    return (
        tank.name,
        f"{tank.liquid} under {tank.pressurant}",
        number_format.show(tank.load).with_u,
        f"{number_format.show(tank.volume).with_u}, {number_format.percent(tank.fill_share, 0)} full",
        number_format.show(tank.start_pressure, "a").with_u,
        f"{number_format.show(tank.exponent).with_u}, {tank.exponent_basis}{_override(tank)}",
        f"{number_format.show(tank.cda).with_u}, {tank.cda_basis}",
    )


def _override(tank: TankPlan) -> str:
    return f", used for {tank.liquid} for this reason: {tank.exponent_override}" if tank.exponent_override else ""
