"""Print how anybody computes the main result again: by command, and by hand from the counts in the samples file."""

from markupsafe import escape

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import Block, Cell, Code, Section, Table, Text
from standbook.analysis.report.content.context import Conversion, Recomputation, ReportContext, TZeroRow
from standbook.analysis.results.firing_results import HandRecipe
from standbook.analysis.results.results import ImpulseResult, Results
from standbook.daq.printable import printable_lines

BAR = 1e5  # Pa
Step = tuple[str, str]


def recompute(results: Results, context: ReportContext) -> Section:
    """Show how to compute the same number again, by command and by hand."""
    blocks: list[Block] = [
        Text("By command, on any computer, to nine digits:"),
        Code(escape(printable_lines(context.command))),
    ]
    if results.impulse is not None:
        blocks.append(Text(_script_words(_what_moved(results), imported=context.imported)))
    item = context.recomputation
    if item is not None:
        first = item.channels[0]
        source = "the values as imported" if context.imported else "the raw counts"
        blocks.append(Text(f"By hand or in a spreadsheet, from {source} of {first.tag} in {first.samples_file}:"))
        steps = _reading_steps(first) + _later_steps(results, item)
        rows: tuple[tuple[Cell, ...], ...] = tuple(
            (f"{number}. {name}", text) for number, (name, text) in enumerate(steps, start=1)
        )
        blocks.append(Table(head=("Step", "What to do"), rows=rows, style="steps"))
    return Section(
        anchor="recompute",
        title="How to compute it again",
        lead=f"Nobody has to trust this software: the {'values' if context.imported else 'counts'} are kept, and the "
        "sum is arithmetic.",
        blocks=tuple(blocks),
    )


def _script_words(moved: str, *, imported: str) -> str:
    source = "values as imported" if imported else "counts"
    return (
        "Without this software: an archive of this run (standbook archive) holds recompute.py, 60 lines that need "
        f"numpy and pyarrow alone. It sums the same total from the {source} to nine digits; as stored it takes T-0, "
        f"the window and what the {moved} moved."
    )


def _later_steps(results: Results, item: Recomputation) -> list[Step]:
    """Tell what is done with the first channel's readings."""
    recipe = results.firing.recipe if results.firing is not None else None
    if recipe is None or results.impulse is None:
        gauge = item.channels[0].reading_unit.endswith("(g)")
        return [("Gauge to absolute", "add the ambient pressure of the plan")] if gauge else []
    beside = {conversion.tag: conversion for conversion in item.channels}
    return [
        *([_time_step(item.t_zero, item.channels[0])] if item.t_zero is not None else []),
        *_zero_steps(recipe, beside),
        *_share_steps(recipe, beside, _what_moved(results)),
        *_force_steps(recipe),
        _sum_step(recipe),
        _agreement_step(recipe, results.impulse),
    ]


def _reading_steps(item: Conversion) -> list[Step]:
    """Tell how counts become a reading, a force in newtons."""
    reading = f"reading in {item.reading_unit.replace('*', '·')}"
    steps = [
        ("Counts to signal", f"signal in {item.signal_unit} = {item.signal_rule}"),
        ("Signal to reading", f"{reading} = {_polynomial(item)}"),
    ]
    if item.scale != 1.0 and not item.reading_unit.endswith(")"):
        steps.append(("Into newtons", f"multiply by {item.scale!r}"))
    return steps


def _polynomial(item: Conversion) -> str:
    pivot = f"(signal {number_format.MINUS} {item.pivot!r})" if item.pivot else "signal"
    powers = ("", *(f" {number_format.TIMES} {pivot}{power}" for power in ("", "²", "³")))
    return " + ".join(f"{c!r}{power}" for c, power in zip(item.coefficients, powers, strict=False))


def _time_step(row: TZeroRow, item: Conversion) -> Step:
    tick = f", tick {row.tick} of the device" if row.tick is not None else ""
    late = f", less {1000.0 * item.latency:g} ms that the sensor is late" if item.latency else ""
    return (
        "Count from T-0",
        f"time of a row = its host_time less {row.host_time}{late}; T-0 is that instant{tick}, and the first row after "
        f"it has sequence {row.sequence}",
    )


def _zero_steps(recipe: HandRecipe, beside: dict[str, Conversion]) -> list[Step]:
    steps = [("Subtract the zero", f"take off the mean reading {_between(recipe.zero_before)}")]
    if recipe.lines:
        steps.insert(0, ("Pressure of the lines", _lines_words(recipe, beside)))
    if recipe.line_load:
        steps.append(
            (
                "Take off what the lines push",
                f"{BAR * recipe.line_load:.9g} N/bar {number_format.TIMES} (p less its mean "
                f"{_between(recipe.zero_before)})",
            )
        )
    return steps


def _what_moved(results: Results) -> str:
    """Name what both zeros differ by: a cell that does not feel weight drifts all the same."""
    weight = results.weight_correction
    return "zero" if weight is not None and weight.sign == 0 else "weight"


def _lines_words(recipe: HandRecipe, beside: dict[str, Conversion]) -> str:
    each = "; ".join(f"{tag}: {_gauge_words(beside[tag])}" for tag in recipe.lines)
    mean = "the mean of both" if len(recipe.lines) > 1 else "this"
    return f"gauge pressure in bar of the tanks at each row, {each}; p is {mean}"


def _gauge_words(item: Conversion) -> str:
    less = "" if item.reading_unit.endswith("(g)") else ", less the ambient pressure of the plan"
    scale = "" if item.scale == BAR else f" {number_format.TIMES} {item.scale / BAR!r}"
    return f"signal in {item.signal_unit} = {item.signal_rule}, bar = ({_polynomial(item)}){scale}{less}"


def _step_words(recipe: HandRecipe) -> str:
    if recipe.zero_after is None:
        return f"W = {recipe.step:.9g} N, from the mass that left: no second zero was recorded"
    later = f", less {recipe.left_later:.9g} N that left after the burn" if recipe.left_later else ""
    return f"W = mean of what remains {_between(recipe.zero_after)}{later}"


def _share_steps(recipe: HandRecipe, beside: dict[str, Conversion], moved: str) -> list[Step]:
    what = "what remains"
    if recipe.share_by != recipe.cell:
        item = beside[recipe.share_by]
        what = f"the gauge pressure of {recipe.share_by} in the same row ({_gauge_words(item)})"
    words = (
        f"s = running sum, {_between(recipe.window)}, of (first + second) / 2 times the time between two neighbouring "
        f"rows of {what}, over its total; s is 0 before and 1 after. Take off W {number_format.TIMES} s"
    )
    away = "Take out the weight" if moved == "weight" else "Take out what it moved"
    return [(f"What the {moved} moved", _step_words(recipe)), (away, words)]


def _force_steps(recipe: HandRecipe) -> list[Step]:
    if recipe.stiffening:
        slope = BAR * recipe.stiffening
        sign = number_format.MINUS if slope < 0.0 else "+"
        return [("Stand factor", f"divide by {recipe.gain:.9g} {sign} {abs(slope):.9g} p: a pull of this stand")]
    return [] if recipe.gain == 1.0 else [("Stand factor", f"divide by {recipe.gain:.9g}, cell force over true force")]


def _sum_step(recipe: HandRecipe) -> Step:
    return (
        "Sum",
        f"{_between(recipe.window)}: each pair of neighbouring rows gives (first + second) / 2 times the time between "
        "them; add all up",
    )


def _agreement_step(recipe: HandRecipe, impulse: ImpulseResult) -> Step:
    off = 100.0 * (recipe.impulse / impulse.value - 1.0)
    way = "above" if off > 0.0 else "below"
    return (
        "Compare",
        f"these steps give {number_format.fixed(recipe.impulse, 1)} N·s, {abs(off):.3f} % {way} the "
        f"{number_format.fixed(impulse.value, 1)} N·s of this report, which takes W out by the flows of both tanks "
        "where these are known, and leaves out rows that are no readings",
    )


def _between(window: tuple[float, float]) -> str:
    start, end = (number_format.seconds(instant, 3) for instant in window)
    return f"from {start} to {end}"
