"""Build the evidence about the run: thrust, impulse, engine, events, comparison with the prediction."""

from collections.abc import Mapping, Sequence

import numpy as np
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
    beside,
    budget_table,
    measured_rows,
    picture,
    quantity_table,
)
from standbook.analysis.report.content.context import PredictedScalar, ReportContext
from standbook.analysis.report.content.foresight import band_words, foresight, side_word
from standbook.analysis.report.figures import figures, full_rate, style
from standbook.analysis.report.sections import firing_sections
from standbook.analysis.results.curves import Curve, at_instant
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ImpulseResult, Results
from standbook.analysis.signal.band_comparison import ranked
from standbook.daq.config import measurands

Curves = Mapping[str, Curve]

NOZZLE_TEXT = {
    "down": "nozzle down: weight that leaves the cell reads as more thrust",
    "up": "nozzle up: weight that leaves the cell reads as less thrust",
    "horizontal": "horizontal: the cell does not feel weight",
}


def thrust(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show thrust with window and events, then its start and its stop at full rate."""
    found, tags = results.thrust, context.stand.thrust_tags
    peak = f"peak {number_format.show(found.peak).with_u}" if found and found.peak else ""
    drawn = picture(
        figures.thrust(curves, results.events, results.window, headline=peak),
        f"Thrust by {' and '.join(tags) or 'the load cell'}, zeros and weight taken out. The impulse sums "
        "the shaded part; circled numbers are the events of the table below; the grey envelope, minimum and maximum "
        "of short blocks, is stand ringing that sums to nothing.",
        wide=True,
    )
    rows = measured_rows(
        register,
        [
            ("Peak thrust", found.peak if found else None, None),
            ("Mean thrust over the burn time", found.mean if found else None, None),
            ("Thrust at the start", found.at_start if found else None, None),
            ("Thrust at the end", found.at_end if found else None, None),
            ("Burn time", results.burn_time, None),
        ],
        tags,
    )
    symbols = [("u", "standard uncertainty: about two chances in three that the true value lies within one u")]
    symbols.append(("T-0", results.t_zero.source if results.t_zero else "not known: times count from the first row"))
    if found is not None:
        symbols += [(measurands.THRUST, found.definition)]
    return Section(
        anchor="thrust",
        title="Thrust",
        lead="How hard the engine pushed, and for how long: the shaded area is the total impulse that the "
        "limit is about.",
        blocks=(
            *(drawn or (Text(register.why(*tags)),)),
            quantity_table(rows),
            events(results, register),
            *beside(*(_full_rate(results, curves, context, which) for which in ("start", "stop"))),
        ),
        symbols=tuple(symbols),
    )


def _full_rate(results: Results, curves: Curves, context: ReportContext, which: str) -> tuple[Block, ...]:
    """Draw one full-rate window; nothing where the record has none."""
    curve = curves.get(at_instant(measurands.THRUST, which))
    if curve is None or curve.time.size < 2:
        return ()
    peak = results.thrust.peak if results.thrust else None
    crossing = next((event.time for event in results.events if event.name == f"thrust {which}"), None)
    marks = full_rate.Marks(
        t_zero=results.t_zero is not None, peak=peak.value if peak is not None else None, crossing=crossing
    )
    told, crossed = "", "it does not cross 10 % of its greatest mean (dashed) here"
    if crossing is not None:
        told = f"10 % of the greatest mean at {number_format.seconds(crossing)}"
        crossed = f"it crosses 10 % of its greatest mean (dashed) at {number_format.seconds(crossing)} (dotted)"
    chamber = curves.get(at_instant(measurands.CHAMBER_PRESSURE, which))
    tags = [tag for one in (curve, chamber) if one is not None for tag in one.columns]
    first, last = (number_format.seconds(float(curve.time[end]), 2) for end in (0, -1))
    caption = (
        f"{which.capitalize()} of the thrust, {first} to {last}, by {' and '.join(tags)}: {_rate_words(curve)}, "
        f"{_filter_words(tags, context)}; {crossed}."
    )
    return picture(
        full_rate.full_rate(curves, which, marks, headline=told), caption, anchor=f"full-rate-{which}-enlarged"
    )


def _rate_words(curve: Curve) -> str:
    """Say how many samples a second there are, and which of them are drawn."""
    rate = f"{number_format.plain(1.0 / float(np.median(np.diff(curve.time))))} samples a second"
    size = style.samples_in_one(curve.time.size)
    return f"every one of {rate}" if size == 1 else f"{rate}, minimum and maximum of each {size} drawn"


def _filter_words(tags: Sequence[str], context: ReportContext) -> str:
    corners = context.stand.filter_corners
    told = [f"low-pass of {tag} at {number_format.plain(corners[tag])} Hz" for tag in tags if tag in corners]
    return "not averaged; " + (", ".join(told) or "the stand names no low-pass filter")


def events(results: Results, register: Register) -> Block:
    """List events with their uncertainty and method."""
    rows = tuple(
        (str(number), event.name, number_format.seconds(event.time), number_format.milliseconds(event.u), event.method)
        for number, event in enumerate(results.events, start=1)
    )
    if not rows:
        return Text(register.why())
    head = ("", "Event", "Time", "u", "Found by")
    return Table(head=head, rows=rows, figures=frozenset({2, 3}), caption="Events.", style="small")


def event_section(results: Results, register: Register) -> Section:
    """List the events of a test without thrust."""
    return Section(
        anchor="events",
        title="Events",
        lead="When things happened, each found by a named method.",
        blocks=(events(results, register),),
        symbols=(("T-0", results.t_zero.source if results.t_zero else "not known: times count from the first row"),),
    )


def _load_cell_table(results: Results, context: ReportContext, register: Register) -> Table:
    """Say what of the cell's reading is not thrust; its zeros stand with the calibrations."""
    correction, stand = results.weight_correction, context.stand
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
    return Table(head=("What", "Value"), rows=tuple(rows), caption="Load cell before correction.")


def impulse(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show cumulative impulse, the load cell before correction, and the uncertainty budget."""
    found, correction = results.impulse, results.weight_correction
    told = number_format.show(Measured(found.value, found.expanded, found.unit)).plus_minus if found else ""
    moved = f"weight moved the impulse by {number_format.fixed(correction.impulse, 0)} N·s" if correction else ""
    cell = " and ".join(context.stand.thrust_tags) or "the load cell"
    summed = picture(
        figures.cumulative_impulse(curves, results.verdicts.get("site"), headline=told),
        f"Impulse at site, thrust summed from the start of the window{f' to {told}' if told else ''}; the band is the "
        "95 % interval of what is summed so far.",
    )
    raw = picture(
        figures.load_cell(curves, results.window, headline=moved),
        f"Force on {cell}, zeroed before the run, and the share of the leaving weight that is taken out"
        f"{f': {moved}' if moved else ''}.",
    )
    table = _load_cell_table(results, context, register)
    blocks: list[Block] = [Text(register.why(*context.stand.thrust_tags)), table]
    if found is not None:
        budget = budget_table(found.budget, found.unit, found.value, "Uncertainty budget of the impulse at site.")
        blocks = [_impulse_table(results, found, context, register), *beside((budget,), (table,))]
    blocks += beside(summed, raw)
    return Section(
        anchor="impulse",
        title="Impulse and uncertainty budget",
        lead="The sum of thrust over time, and what each source of uncertainty adds: the largest source is the one "
        "worth improving. Propellant that leaves changes the weight on the cell, and that is not thrust.",
        blocks=tuple(blocks),
        symbols=(
            ("U", "expanded uncertainty, k times u: about 95 chances in 100 that the true value lies within U"),
            ("k", "coverage factor"),
            ("vacuum", "impulse as it would be with no air pressing on the nozzle exit; flight approaches it"),
        ),
    )


def _impulse_table(results: Results, found: ImpulseResult, context: ReportContext, register: Register) -> Table:
    places = (("At site ambient", found), ("Referred to vacuum", results.impulse_vacuum))
    rows = tuple(
        (name, register.why(*context.stand.thrust_tags), "", "", "")
        if value is None
        else _impulse_row(_placed(name, value, found, register), value)
        for name, value in places
    )
    caption = ""
    if results.window is not None:
        start, end = number_format.seconds(results.window.start), number_format.seconds(results.window.end)
        caption = f"Summed from {start} to {end}."
    head = ("Total impulse", "Value", "U", "For reading", "Unrecorded")
    return Table(head=head, rows=rows, figures=frozenset({1, 2, 3}), caption=caption)


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


def engine(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show chamber pressure, injector pressure-drop ratio, performance, start and shutdown."""
    found = results.engine
    window = found.window if found else None
    both = "" if window is None else f", T{window[0]:+.2f} to T{window[1]:+.2f} s, both liquids flowing"
    rows = measured_rows(
        register,
        [
            ("Mean chamber pressure, burn time", found.chamber_pressure if found else None, "a"),
            ("Characteristic velocity c*", found.cstar if found else None, None),
            ("Specific impulse Isp", found.isp if found else None, None),
            ("Thrust coefficient CF", found.thrust_coefficient if found else None, None),
            ("Mixture ratio, oxidiser over fuel", found.mixture_ratio if found else None, None),
            ("Delivered Isp, total impulse over all that left", found.delivered_isp if found else None, None),
            ("Mixture ratio of all that left", found.overall_mixture_ratio if found else None, None),
            *(
                (f"Minimum pressure-drop ratio, {side}", measured, None)
                for side, measured in (found.injector_stiffness.items() if found else ())
            ),
        ],
        context.stand.chamber_tags,
    )
    named = f"Engine. c*, Isp, CF and mixture ratio{both}." if both else "Engine."
    transients, told = firing_sections.transients(results, context, register)
    return Section(
        anchor="engine",
        title="Engine",
        lead="How well propellant became thrust, how the engine started and shut down, and how large the injector's "
        "pressure drop was over chamber pressure: below the usual ratio flow and chamber may begin to oscillate.",
        blocks=(
            *beside((quantity_table(rows, named),), transients),
            *beside(*_engine_figures(results, curves, context)),
            *firing_sections.stiffness(results),
        ),
        symbols=(
            ("c*", "chamber pressure times throat area over mass flow: quality of combustion"),
            ("Isp", "impulse per weight of propellant"),
            ("CF", "thrust over chamber pressure times throat area: quality of the nozzle"),
            *told,
        ),
    )


def _engine_figures(results: Results, curves: Curves, context: ReportContext) -> tuple[tuple[Block, ...], ...]:
    found = results.engine
    mean = found.chamber_pressure if found else None
    least = found.injector_stiffness if found else {}
    sensors = " and ".join(context.stand.chamber_tags) or "its sensors"
    pressure = picture(
        figures.chamber_pressure(
            curves, results.window, headline=f"mean {number_format.show(mean, 'a').with_u}" if mean else ""
        ),
        f"Chamber pressure by {sensors}: {band_words(results, measurands.CHAMBER_PRESSURE)}.",
    )
    told = "; ".join(f"least {side} {number_format.show(one).with_u}" for side, one in least.items())
    ratio = picture(
        figures.injector_stiffness(curves, headline=told),
        f"Pressure drop across feed and injector over chamber pressure: {told or 'not known'}. In the hatching and "
        "below it, by a rule of thumb, the flow may pulse with the chamber.",
    )
    return pressure, ratio


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
