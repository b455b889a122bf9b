"""Build the evidence about the tanks: pressure, exponent, CdA and its budget, two tanks side by side."""

from collections.abc import Mapping

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
from standbook.analysis.report.content.context import ReportContext, TankPlan
from standbook.analysis.report.content.foresight import band_words
from standbook.analysis.report.figures import figures
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.results import Results, TankResult
from standbook.daq.config import measurands
from standbook.daq.kinds.registry import kind_named

Curves = Mapping[str, Curve]

ULLAGE_PAIR = "exponent, ullage volume"
FACT_WORDS = {False: "Conditions not met", True: "Conditions met"}  # what is not met comes first


def tanks(results: Results, curves: Curves, context: ReportContext, register: Register) -> Section:
    """Show each tank's pressure, exponent and CdA; the same of two tanks stands in one row."""
    planned = {tank.name: tank for tank in context.plan.tanks}
    parts = []
    for name, tank in results.tanks.items():
        tags = planned[name].pressure_tags if name in planned else ()
        channels = (name, *tags)
        rows = _tank_rows(tank, register, channels, firing=kind_named(results.kind).fires)
        table: tuple[Block, ...] = (quantity_table(rows, f"{name.capitalize()} tank."), *_tank_notes(name, tank))
        drawn = _pressure(results, curves, name, tags) or (Text(register.why(*channels)),)
        parts.append((table, drawn, _budget(name, tank), _ullage(curves, name, tank)))
    if len(parts) == 1:
        table, drawn, budget, ullage = parts[0]
        blocks = (*beside(table, drawn), *beside(budget, ullage))
    else:
        blocks = tuple(block for columns in zip(*parts, strict=True) for block in beside(*columns))
    return Section(
        anchor="tanks",
        title="Tanks",
        lead="How each tank's gas expanded while it pushed its liquid out: this decides how the flow fades.",
        blocks=blocks,
        symbols=(
            ("CdA", "effective flow area of feed and injector: the area that would pass this flow without loss"),
            ("n", "exponent of the gas above the liquid: pressure falls as volume^n; mean: one n from start to end"),
            ("(a), (g)", "absolute pressure; gauge pressure, counted from the air around"),
            ("ullage", "the gas above the liquid"),
        ),
    )


def _pressure(results: Results, curves: Curves, name: str, tags: tuple[str, ...]) -> tuple[Block, ...]:
    tank = results.tanks[name]
    ends = [number_format.show(end, "a").with_u for end in (tank.start_pressure, tank.end_pressure) if end is not None]
    svg = figures.tank_pressure(
        curves, name, tank.window, t_zero=results.t_zero is not None, headline=" to ".join(ends)
    )
    return picture(
        svg,
        f"Pressure of the {name} tank by {' and '.join(tags) or 'its sensors'}; below, the same less prediction and "
        f"fit. It lay {band_words(results, measurands.of_tank(measurands.TANK_PRESSURE, name))}.",
    )


def _ullage(curves: Curves, name: str, tank: TankResult) -> tuple[Block, ...]:
    chord = f"mean exponent {number_format.show(tank.exponent.chord).with_u}" if tank.exponent else ""
    return picture(
        figures.ullage(curves, name, headline=chord),
        f"Pressure against gas volume of the {name} tank, both on logarithmic scales{f': {chord}' if chord else ''}. "
        "One exponent throughout would be a straight line; a bend is heat flowing into the gas.",
    )


def _budget(name: str, tank: TankResult) -> tuple[Block, ...]:
    if not tank.cda_budget or tank.cda is None:
        return ()
    return (budget_table(tank.cda_budget, "m2", tank.cda.value, f"Uncertainty budget of CdA, {name} side."),)


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


def _tank_notes(name: str, tank: TankResult) -> tuple[Block, ...]:
    """List what is known of the fit besides its numbers."""
    rows: list[tuple[Cell, ...]] = []
    if tank.residual_rms is not None:
        left = number_format.plain(tank.residual_rms / 100.0, 2)
        rows.append(("Fit leaves", f"{left} mbar rms, which alone proves nothing"))
    pairs = dict(tank.correlation)
    exponent = tank.exponent
    if exponent is not None and exponent.correlation_with_ullage_volume is not None:
        pairs.setdefault(ULLAGE_PAIR, exponent.correlation_with_ullage_volume)
    if pairs:
        said = (f"{pair.replace(', ', ' with ')} {number_format.fixed(r, 2)}" for pair, r in pairs.items())
        rows.append(("Correlation", "; ".join(said)))
    for wanted, words in FACT_WORDS.items():
        facts = "; ".join(fact for fact, holds in tank.facts.items() if holds == wanted)
        rows += [(words, facts)] if facts else []
    return (Table(head=(f"Fit, {name} side", ""), rows=tuple(rows), style="small"),) if rows else ()


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
