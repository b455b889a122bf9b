"""Build the evidence of a firing beside its main numbers: transients, mass balance, stability."""

from collections.abc import Mapping

from standbook.analysis.firing.stability_findings import frequencies, limit_words
from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.blocks import (
    Block,
    Cell,
    Register,
    Section,
    Table,
    Text,
    measured_rows,
    picture,
    quantity_table,
)
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.figures import spectrum_figure
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.firing_results import FiringDetail, Line, Stability, Stiffness
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results

Curves = Mapping[str, Curve]
Rows = list[tuple[str, Measured | None, number_format.Reference | None]]

LINE_WORDS = {
    "mains": "mains hum",
    "stand mode": "the stand's mode",
    "coherent": "chamber and feed together",
    "alias": "alias",
    "undecided": "not named",
}


def transients(
    results: Results, context: ReportContext, register: Register
) -> tuple[tuple[Block, ...], tuple[tuple[str, str], ...]]:
    """Build the tables of start, shutdown and burn time by definition, and what their words mean."""
    found = results.firing
    if found is None:
        return (), ()
    start, stop = found.start, found.shutdown
    rows: Rows = [
        ("Delay from T-0 to 10 % thrust", start.delay if start else None, None),
        ("Rise, 10 to 90 %", start.rise if start else None, None),
        ("Tail-off, 90 % of the last level to 10 %", stop.tail_off if stop else None, None),
        ("Impulse of the tail-off", stop.impulse if stop else None, None),
    ]
    table = list(measured_rows(register, rows, context.stand.thrust_tags))
    if start is not None and start.overshoot is not None:
        share, u = start.overshoot.value, start.overshoot.u
        table.insert(2, ("Overshoot", number_format.percent(share), number_format.percent(u), ""))
    blocks: list[Block] = [quantity_table(tuple(table), "Start and shutdown.")]
    named: Rows = []
    for burn in found.burns:
        named.append((f"Burn time, {burn.definition}", burn.burn_time, None))
        named.append((f"Mean thrust, {burn.definition}", burn.mean_thrust, None))
    if named:
        blocks.append(quantity_table(measured_rows(register, named, ()), "Burn time and mean thrust by definition."))
    told = () if start is None else (("start", f"by {start.channel}; {start.definition}"),)
    return tuple(blocks), told


def stiffness(results: Results) -> tuple[Block, ...]:
    """Build the table of the injector's pressure-drop ratio along the burn; nothing where it is not known."""
    found = results.firing
    return (_stiffness_table(found.stiffness),) if found is not None and found.stiffness else ()


def stability(results: Results, curves: Curves) -> tuple[Section, ...]:
    """Build the section of oscillations; none where the analysis did not know of them."""
    return () if results.firing is None else (_stability(results.firing, curves),)


def masses(results: Results) -> tuple[Section, ...]:
    """Build the section of the mass balance; none where the analysis did not know of it."""
    return () if results.firing is None else (_masses(results.firing),)


def _stiffness_table(stiffness: Mapping[str, Stiffness]) -> Table:
    rows = tuple(
        (
            side,
            number_format.show(one.at_start).with_u,
            number_format.show(one.at_end).with_u,
            f"{number_format.show(one.least).with_u} at {number_format.seconds(one.at, 2)}",
            "feed and injector" if one.of_feed else "injector",
        )
        for side, one in stiffness.items()
    )
    head = ("Side", "At the start", "At the end", "Minimum", "Over")
    return Table(head=head, rows=rows, caption="Pressure drop over chamber pressure along the burn.")


def _masses(found: FiringDetail) -> Section:
    rows: list[tuple[Cell, ...]] = []
    for route in found.masses:
        closure = "reference"
        if route.closure is not None:
            share, u = 100.0 * route.closure.value, 100.0 * route.closure.u
            closure = f"{number_format.fixed(share, 1)} % (u = {number_format.fixed(u, 1)} %)"
        sides = (
            "; ".join(f"{name} {number_format.show(mass).with_u}" for name, mass in route.tanks.items()) or "sum only"
        )
        mixture = number_format.show(route.mixture_ratio).with_u if route.mixture_ratio else ""
        rows.append((route.route, number_format.show(route.total).with_u, sides, closure, mixture))
    head = ("Route", "Expelled", "By tank", "Against the scales", "O/F")
    blocks: list[Block] = [Table(head=head, rows=tuple(rows))] if rows else [Text("No route gave the expelled mass.")]
    if found.load_path is not None:
        path = found.load_path
        how = f"from a pull of {path.pulls} points" if path.pulls else "as typed in the calibration"
        load = Measured(path.line_load.value * 1e5, path.line_load.u * 1e5, "N/bar")
        blocks.append(
            Text(
                f"Load path, {how}: stand factor {number_format.show(path.factor).with_u}, line (hose) load "
                f"{number_format.show(load).with_u}. Both stand in the impulse's budget."
            )
        )
    return Section(
        anchor="masses",
        title="Mass balance",
        lead="Whether scales, load cell and flow areas tell the same mass.",
        blocks=tuple(blocks),
        symbols=(
            ("closure", "mass by a route less the scales' mass, over the scales' mass"),
            ("O/F", "oxidiser over fuel"),
        ),
    )


def _stability(found: FiringDetail, curves: Curves) -> Section:
    steady = found.stability
    if steady is None:
        blocks: list[Block] = [Text("Nothing is said about oscillations: no chamber record long and fast enough.")]
    else:
        blocks = _stability_blocks(steady, curves)
    return Section(
        anchor="stability",
        title="Stability",
        lead="Whether the chamber burned steadily, and what each spectral peak in the records is: hum and a ringing "
        "stand look like "
        "a rough engine and are none.",
        blocks=tuple(blocks),
        symbols=(
            ("amplitude", "of one spectral peak, over the mean of its channel"),
            ("rms", "root of the mean square"),
        ),
    )


def _stability_blocks(steady: Stability, curves: Curves) -> list[Block]:
    drawn = picture(
        spectrum_figure.spectrum(
            curves,
            steady,
            headline=f"{steady.channel} {number_format.percent(steady.rms_share, 2)} rms over the steady burn",
        ),
        f"Amplitude density of {steady.channel} and others over the steady burn, each over its own mean. "
        "Named peaks are marked; one that the chamber shares with the feed may drive it; of the hatched "
        "frequencies this sampling can tell nothing.",
        wide=True,
    )
    told = Text(
        f"{steady.channel}: {number_format.percent(steady.rms_share, 2)} rms of the mean over the steady burn, "
        f"at most {number_format.percent(steady.greatest_rms_share, 2)} within one second, about "
        f"{number_format.seconds(steady.greatest_at, 1)}. Smooth, within "
        f"{number_format.percent(steady.smooth_limit, 0)} of the local mean, for "
        f"{number_format.percent(steady.smooth_share, 1)} of it. {limit_words(steady)}"
    )
    blocks: list[Block] = [told]
    alike: dict[tuple[str, str], list[Line]] = {}
    for line in steady.lines:
        alike.setdefault((_what(line), frequencies(line)), []).append(line)
    rows = tuple(_line_row(what, lines) for (what, _), lines in alike.items())
    if rows:
        head = ("Frequency", "What it is", "Channels", "Seen", "Largest amplitude, first to last")
        blocks.append(
            Table(head=head, rows=rows, figures=frozenset({0, 3, 4}), caption="Spectral peaks above the noise.")
        )
    return [*blocks, *drawn]


def _what(line: Line) -> str:
    if line.name == "alias":
        return f"alias of {line.source}"
    if line.name == "mains" and line.source != "mains":
        return line.source
    return LINE_WORDS[line.name]


def _line_row(what: str, lines: list[Line]) -> tuple[Cell, ...]:
    """Write one row for all channels that show the same line."""
    loudest = max(lines, key=lambda line: max(line.amplitude_at_start, line.amplitude_at_end))
    shared = next((line for line in lines if line.coherence is not None), None)
    if shared is not None and shared.coherence is not None:
        what += f", {shared.channel} and {shared.source} coherent to {number_format.fixed(shared.coherence, 2)}"
    first, last = number_format.percent(loudest.amplitude_at_start), number_format.percent(loudest.amplitude_at_end)
    start, end = min(k.start for k in lines), max(k.end for k in lines)
    span = f"{number_format.seconds(start, 1)} to {number_format.seconds(end, 1)}"
    channels = ", ".join(dict.fromkeys(line.channel for line in lines))
    return (f"{frequencies(loudest)} Hz", what, channels, span, f"{first} to {last} ({loudest.channel})")
