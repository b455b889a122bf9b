"""Build the evidence about the record: summary, changes, data quality, calibrations, plan, cautions, hashes."""

from markupsafe import Markup

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import (
    Block,
    Cell,
    Columns,
    Register,
    Section,
    Table,
    Text,
    beside,
    escaped,
)
from standbook.analysis.report.content.context import CalibrationUsed, ReportContext, RunDifference
from standbook.analysis.report.content.sentences import CAUTIONS, stamp
from standbook.analysis.report.sections.tank_sections import plan_tank_row
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import RecordHealth, Results

STAND_CHECKED = "Stand checked"
MOST_GAPS = 12  # rows of the gap table; the record holds them all


def summary(told: tuple[str, ...]) -> Section:
    """Print the sentences for neighbours."""
    return Section(
        anchor="summary",
        title="Summary for neighbours",
        lead="What happened, whether anything was over its limit, and whether it is over, as far as the record says.",
        blocks=tuple(Text(sentence) for sentence in told),
    )


def changes(context: ReportContext) -> tuple[Section, ...]:
    """Hold the run against the one of its kind before it; nothing for the first."""
    earlier = context.earlier
    if earlier is None:
        return ()
    lead = f"This run less {earlier.name}, the one of its kind before it, and what was changed between them."
    if context.plan.change:
        lead += f" The crew writes: {context.plan.change}"
    rows = tuple(_difference_row(line) for line in earlier.differences)
    head = ("Quantity", "Before", "Now", "Difference", "U (k = 2)", "Says", "Common to both")
    blocks: list[Block] = []
    if rows:
        blocks.append(Table(head=head, rows=rows, figures=frozenset({1, 2, 3, 4}), style="small"))
    else:
        blocks.append(Text("No number stands in both runs."))
    if earlier.changes:
        blocks.append(Table(head=("Changed between them",), rows=tuple((line,) for line in earlier.changes)))
    else:
        blocks.append(Text("Nothing was changed between them: plan, stand, calibrations."))
    return (
        Section(
            anchor="changes",
            title="Changes since the last run",
            lead=lead,
            blocks=tuple(blocks),
            symbols=(
                ("changed", "beyond 95 %"),
                ("same", "shown to be less than 1 % apart; else the two are not told apart"),
            ),
        ),
    )


def _difference_row(line: RunDifference) -> tuple[Cell, ...]:
    difference, unit = line.difference, line.difference.unit
    shown = number_format.show_expanded(difference, 2.0)
    before, now = (
        number_format.show_expanded(Measured(value, difference.u, unit), 2.0).with_unit
        for value in (line.before, line.now)
    )
    sign = "+" if difference.value > 0.0 else ""
    least = f"{line.bound} " if line.bound else ""
    return (line.name, before, now, f"{least}{sign}{shown.with_unit}", shown.u_with_unit, line.says, line.because)


def health(results: Results) -> Section:
    """Count rows, gaps, board starts and frames with checksum error."""
    rows = tuple(
        (
            stream,
            f"{item.rows:,}",
            _lost(item),
            f"{len(item.gaps):,}",
            f"{item.boots:,}",
            f"{item.damaged_frames:,}",
            number_format.show(item.clock_ppm).with_u if item.clock_ppm is not None else "not known",
        )
        for stream, item in results.record.items()
    )
    head = ("Stream", "Rows", "Rows lost", "Gaps", "Board starts", "Frames with checksum error", "Clock against host")
    blocks: list[Block] = [Table(head=head, rows=rows, figures=frozenset(range(1, 7)))]
    gaps = [(stream, gap) for stream, item in results.record.items() for gap in item.gaps]
    if gaps:
        gap_rows = tuple(
            (
                stream,
                number_format.seconds(gap.start),
                number_format.seconds(gap.end),
                f"{number_format.plain(gap.seconds)} s",
                f"{gap.rows:,}",
            )
            for stream, gap in gaps[:MOST_GAPS]
        )
        caption = f"The first {MOST_GAPS} of {len(gaps):,} gaps." if len(gaps) > MOST_GAPS else "Gaps."
        gap_head = ("Stream", "From", "To", "Length", "Rows")
        blocks.append(Table(head=gap_head, rows=gap_rows, figures=frozenset({1, 2, 3, 4}), caption=caption))
    return Section(
        anchor="health",
        title="Data quality",
        lead="What reached the disk, counted: a lost row is a row the device numbered and the record does not hold.",
        blocks=tuple(blocks),
        symbols=(
            ("board start", "one start of the recording board; more than one means it restarted while recording"),
        ),
    )


def _lost(item: RecordHealth) -> str:
    """Count rows that are missing, and before a second recorder's copy gave some of them."""
    if not item.filled_rows:
        return f"{item.lost_rows:,}"
    return f"{item.lost_rows:,}; {item.filled_rows:,} filled from a second recorder"


def calibrations(results: Results, context: ReportContext, register: Register) -> Section:
    """List the calibrations used, and zeros before and after."""
    rows = tuple(_calibration_row(item, _day_of(results)) for item in context.calibrations)
    head = ("Channel", "Sensor, serial", "Made", "Valid until", "u slope", "u zero", "Range")
    table = Table(head=head, rows=rows, figures=frozenset({4, 5, 6}), style="small calibrations")
    blocks: list[Block] = [table] if rows else [Text(register.why())]
    tares: list[tuple[Cell, ...]] = []
    for tag, tare in results.tare.items():
        reference: number_format.Reference | None = "a" if tare.before.unit == "Pa" else None
        drift = register.why(tag) if tare.drift is None else number_format.rough(tare.drift, tare.before.unit)
        after = number_format.show(tare.after, reference).with_u if tare.after else register.why(tag)
        tares.append((tag, number_format.show(tare.before, reference).with_u, after, drift))
    if tares:
        tare_head = ("Channel", "Unloaded, before", "Unloaded, after", "Drift, without the weight that left")
        blocks.append(
            Table(
                head=tare_head,
                rows=tuple(tares),
                figures=frozenset({1, 2, 3}),
                caption="Zeros before and after the run.",
            )
        )
    return Section(
        anchor="calibrations",
        title="Calibrations",
        lead="How each sensor's signal became a number, when that was last checked, and how far it is trusted.",
        blocks=tuple(blocks),
        symbols=(("slope, zero", "gain of the sensor, and its reading with nothing applied"),),
    )


def plan(context: ReportContext) -> Section:
    """List the plan, the loads and the people."""
    tanks = tuple(plan_tank_row(tank) for tank in context.plan.tanks)
    planned = _planned_rows(context)
    middle = next((at for at, (name, _) in enumerate(planned) if name == STAND_CHECKED), len(planned))
    blocks: list[Block] = [
        *beside(*_in_two(planned[:middle])),
        Table(
            head=("Tank", "Liquid", "Load", "Volume", "Pressure at start", "Exponent", "CdA"),
            rows=tanks,
            figures=frozenset(),
            caption="Tanks.",
            style="small",
        ),
    ]
    if planned[middle:]:
        blocks.append(
            Table(head=("Stand checked before the run",), rows=tuple((told,) for _, told in planned[middle:]))
        )
    weighed = tuple(
        (item.tank, item.what, number_format.show(item.mass).with_u, item.by, item.place) for item in context.weighings
    )
    if weighed:
        caption = "Weighed on a scale after the run, and added to the sealed record."
        blocks.append(
            Table(head=("Tank", "What", "Mass", "By", "Kept in"), rows=weighed, figures=frozenset({2}), caption=caption)
        )
    return Section(
        anchor="plan",
        title="Plan, loads and people",
        lead="What the run was for and what was aboard: every number that came from a person and not from a sensor.",
        blocks=tuple(blocks),
    )


def _in_two(rows: list[tuple[Cell, ...]]) -> tuple[tuple[Block, ...], ...]:
    """Part the rows of the plan into two tables of equal length."""
    half = (len(rows) + 1) // 2
    head = ("What", "As planned")
    return tuple((Table(head=head, rows=tuple(part)),) for part in (rows[:half], rows[half:]) if part)


def _planned_rows(context: ReportContext) -> list[tuple[Cell, ...]]:
    """List the plan's own words and numbers, then who did what, then what was done otherwise."""
    summary = context.plan
    throat, ratio = summary.throat_diameter, summary.expansion_ratio
    rows: list[tuple[str, str | None]] = [
        ("Objective", summary.objective),
        ("Minimum data", ", ".join(summary.minimum_data) or "none named"),
        ("Ambient pressure", number_format.show(summary.ambient_pressure, "a").with_u),
        ("Ambient temperature", number_format.show(summary.ambient_temperature).with_u),
        ("Throat diameter", None if throat is None else number_format.show(throat).with_u),
        ("Expansion ratio", None if ratio is None else number_format.show(ratio).with_u),
        ("How the load is controlled", summary.load_control or None),
        ("Planned to be depleted first", summary.run_out_first or None),
        ("Second recorder", summary.second_recorder or "none"),
        *((person.role, person.initials) for person in context.people),
        *(("Deviation from the plan", deviation) for deviation in context.deviations),
        *((STAND_CHECKED, line) for line in context.stand_checks),
    ]
    return [(name, value) for name, value in rows if value is not None]


def cautions() -> Section:
    """Print the cautions that every report carries."""
    return Section(
        anchor="cautions",
        title="Cautions",
        lead="What this report cannot do for you.",
        blocks=(Columns(tuple(tuple(Text(text) for text in part) for part in (CAUTIONS[:3], CAUTIONS[3:]))),),
    )


def hashes(results: Results, context: ReportContext) -> Section:
    """List the files of the run by hash."""
    rows: list[tuple[Cell, ...]] = [
        ("manifest.json", context.manifest_sha256),
        ("plan, as locked", results.plan_sha256),
    ]
    rows += [(item.name, item.sha256) for item in context.files]
    written = f"This report was written {stamp(context.created)} by {results.software}."
    return Section(
        anchor="hashes",
        title="Files and hashes",
        lead="A SHA-256 hash of every file: one changed bit anywhere gives another hash.",
        blocks=(Table(head=("File", "SHA-256"), rows=tuple(rows), caption=written, style="hashes"),),
        symbols=(("SHA-256", "a hash function; no two different files with the same hash are known"),),
    )


def sensors_in_date(results: Results, context: ReportContext) -> str:
    """Write for page one how many calibrations were valid on the day, the main channel's by name; empty without any."""
    used = context.calibrations
    if not used:
        return ""
    main = next((item for tag in context.stand.thrust_tags for item in used if item.tag == tag), used[0])
    late = sum(_is_late(item, _day_of(results)) for item in used)
    dates = f"all {len(used)} calibrations in date" if not late else f"{late} of {len(used)} calibrations NOT IN DATE"
    return f"{main.tag} {main.revision} valid {main.date} to {main.valid_until}; {dates}"


def _day_of(results: Results) -> str | None:
    return results.t_zero.time[:10] if results.t_zero else None


def _is_late(item: CalibrationUsed, day: str | None) -> bool:
    return day is not None and not item.date <= day <= item.valid_until


def _calibration_row(item: CalibrationUsed, day: str | None) -> tuple[Cell, ...]:
    unit = item.reading_unit.replace("degC", "°C")
    zero_unit = unit.partition("(")[0]
    return (
        Markup('<span class="day">{}</span>').format(escaped(f"{item.tag} {item.revision}")),
        f"{item.sensor}, {item.serial}",
        _day(item.date),
        _day(item.valid_until) + (" NOT IN DATE" if _is_late(item, day) else ""),
        item.tolerance or (_percent(item.slope_u) if item.slope_u > 0.0 else "not stated"),
        f"{number_format.round_pair(0.0, item.zero_u)[1]} {zero_unit}" if item.zero_u > 0.0 else "not stated",
        f"{number_format.plain(item.lowest)} to {number_format.plain(item.highest)} {unit}",
    )


def _percent(share: float) -> str:
    return f"{number_format.round_pair(0.0, 100.0 * share)[1]} %"


def _day(date: str) -> Markup:
    """Keep a date on one line."""
    return Markup('<span class="day">{}</span>').format(date)
