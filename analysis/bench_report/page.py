"""The page of a bench run: two printed sheets at most, self-contained, no script. Pure."""

from collections.abc import Mapping, Sequence
from typing import Final

from markupsafe import Markup

from standbook.analysis.bench_report.column_facts import ColumnFacts, Estimate
from standbook.analysis.bench_report.figures import spectrum_figure, trace_figure
from standbook.analysis.bench_report.run_facts import BenchFacts, StreamFacts, short_state, state_words
from standbook.analysis.report.content.number_format import fixed, plain, round_pair, two_digits
from standbook.analysis.report.render import css_string, page_environment, page_style
from standbook.daq.arrays import Array

TEMPLATE: Final = "bench.html.j2"
MOST_COLUMNS, MOST_DRAWN = 12, 6  # in a table of the first sheet; on the second
MOST_NOTES: Final = 2
PEAKS: Final = 2  # told of a column
NOT_KNOWN: Final = "--"
Row = tuple[str, ...]


def next_lines(facts: BenchFacts, run: str, campaign: str) -> tuple[str, ...]:
    """Return what comes next, in words or as a command to copy; ``run`` and ``campaign`` are their folders."""
    moving = next((column.tag for column in facts.columns if not state_words(column)), facts.columns[0].tag)
    day = facts.began[:10]
    return (
        f"rename the tags of {campaign}/stand.toml, and say what each input measures and its kind",
        f"standbook calibrate {campaign}/readings/{moving}_{day}.toml --new",
        f"standbook new NEW_CAMPAIGN --from {run}",
    )


def bench_page(facts: BenchFacts, rows: Mapping[str, tuple[Array, Array]], next_steps: Sequence[str]) -> str:
    """Render the page; the same for the same arguments.

    Parameters
    ----------
    facts : BenchFacts
        What the run shows.
    rows : mapping of tag to time and value
        After the first row [s], in the column's unit; of the columns that are drawn.
    next_steps : sequence of str
        From :func:`next_lines`.
    """
    environment = page_environment("standbook.analysis.bench_report")
    shown = facts.columns[:MOST_COLUMNS]
    return environment.get_template(TEMPLATE).render(
        facts=facts,
        began=f"{facts.began[:10]} {facts.began[11:19]} UTC",
        streams=[_stream_rows(stream) for stream in facts.streams],
        board=_board_rows(facts),
        levels=[_level_row(column) for column in shown],
        steps=[_step_row(column) for column in shown],
        left_out=[f"{column.tag} ({short_state(column)})" for column in facts.columns[MOST_COLUMNS:]],
        figures=_figures(facts, rows),
        not_drawn=[column.tag for column in facts.columns if column.tag not in {c.tag for c in drawn(facts)}],
        is_even=all(stream.is_even for stream in facts.streams),
        notes=facts.notes[:MOST_NOTES],
        more_notes=len(facts.notes[MOST_NOTES:]),
        next_steps=next_steps,
        style=page_style(environment),
        running_head=Markup(css_string(facts.folder)),  # noqa: S704 - quoted
    )  # fmt: skip


def drawn(facts: BenchFacts) -> tuple[ColumnFacts, ...]:
    """Return the columns that are drawn: those that move, the ones with a remark first."""
    return tuple(column for column in facts.columns if not column.is_stuck)[:MOST_DRAWN]


def _figures(facts: BenchFacts, rows: Mapping[str, tuple[Array, Array]]) -> list[tuple[str, str, str, Markup, Markup]]:
    found = []
    for number, column in enumerate(drawn(facts), start=1):
        trace = trace_figure(column, *rows[column.tag], number)
        beside = spectrum_figure(column, column.spectrum, number) if column.spectrum is not None else ""
        found.append((column.tag, column.unit, state_words(column), Markup(trace), Markup(beside)))  # noqa: S704 - drawn by us, escaped
    return found


def told(estimate: Estimate | None, unit: str = "", scale: float = 1.0) -> str:
    """Write a number with its standard uncertainty, or the word that it is indicated."""
    if estimate is None:
        return f"{NOT_KNOWN} (too few rows)"
    behind = f" {unit}" if unit else ""
    if estimate.u is None:
        return f"{plain(scale * estimate.value)}{behind} (indicated)"
    value, u = round_pair(scale * estimate.value, scale * estimate.u)
    return f"{value} (u = {u}){behind}" if u else f"{value}{behind} (indicated)"


def _stream_rows(stream: StreamFacts) -> tuple[str, Sequence[Row]]:
    timed = "by their arrival at this computer" if stream.by_arrival else "by the board's clock"
    rows = [
        ("rows", f"{stream.rows:,} in {fixed(stream.seconds, 1)} s (indicated)"),
        ("rate", told(stream.rate, "rows a second")),
        ("steps between rows", _step_words(stream, timed)),
        ("missing", _lost_words(stream)),
    ]
    return f"{stream.device}/{stream.name}", rows


def _step_words(stream: StreamFacts, timed: str) -> str:
    if stream.step is None or stream.scatter is None or stream.shortest is None or stream.longest is None:
        return f"{NOT_KNOWN} (too few rows)"
    if stream.scatter.value == 0.0:
        counted = "" if stream.by_arrival else ": it counts its rows and does not time each"
        return f"all {plain(1e3 * stream.step, 6)} ms {timed}{counted}"
    deviation = told(stream.scatter, "ms", 1e3)
    return (
        f"median {plain(1e3 * stream.step)} ms, {plain(1e3 * stream.shortest)} to {plain(1e3 * stream.longest)} ms "
        f"(indicated) {timed}; standard deviation {deviation}"
    )


def _lost_words(stream: StreamFacts) -> str:
    if not stream.gaps and not stream.lost_rows:
        blind = stream.by_arrival and not stream.is_counted
        return "nothing tells: the board prints no counter and no clock" if blind else "no row is known to be missing"
    how = "counted by the board" if stream.is_counted else "estimated from its clock, indicated"
    share = 100.0 * stream.lost_rows / (stream.lost_rows + stream.rows)
    many = "gap" if stream.gaps == 1 else "gaps"
    return (
        f"{stream.lost_rows:,} rows in {stream.gaps:,} {many}, {two_digits(share)} %, {how}; longest gap "
        f"{two_digits(1e3 * stream.longest_gap)} ms (indicated)"
    )


def _board_rows(facts: BenchFacts) -> Sequence[Row]:
    clock = facts.clock
    if any(stream.by_arrival for stream in facts.streams):
        rate = "none is printed: nothing tells how rows lie between arrivals"
    elif clock is None or clock.hull_ppm is None or clock.hull_u_ppm is None:
        rate = f"{NOT_KNOWN} (too few arrivals to say; record for longer)"
    else:
        value, u = round_pair(clock.hull_ppm, clock.hull_u_ppm)
        declared = plain(clock.tolerance_ppm)
        rate = (
            f"{value} (u = {u}) ppm against this computer, by arrivals alone, positive where the board is fast; "
            f"stand.toml allows {declared} ppm either way"
        )
    rows = [("board's clock", rate), ("frames or lines damaged", f"{facts.damaged:,}")]
    if facts.boots > 1:
        rows.append(("starts of the board", f"{facts.boots:,}; rows between them are not known"))
    return rows


def _level_row(column: ColumnFacts) -> Row:
    if column.is_stuck:
        return (column.tag, column.unit, plain(column.minimum, 9), *("does not move",) * 3)
    return (
        column.tag,
        column.unit,
        told(column.mean),
        told(column.noise),
        told(column.deviation),
        told(column.drift, scale=60.0),
    )


def _step_row(column: ColumnFacts) -> Row:
    span = f"{plain(column.minimum, 9)} to {plain(column.maximum, 9)}" if not column.is_stuck else NOT_KNOWN
    half_bin = column.spectrum.resolution / 2.0 if column.spectrum is not None else 0.0
    lines = "; ".join(
        f"{round_pair(p.frequency, half_bin)[0]} Hz, {two_digits(p.amplitude)}" for p in column.peaks[:PEAKS]
    )
    without = NOT_KNOWN if column.spectrum is None else "none stands out"
    return (
        column.tag,
        span,
        f"{column.distinct:,}",
        plain(column.least_step) if column.least_step is not None else NOT_KNOWN,
        lines or without,
        short_state(column),
    )
