"""Build the evidence of a firing beside its main numbers: transients, mass balance, class reserve, stability."""

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
from standbook.analysis.results.firing_results import ClassReserve, FiringDetail, Line, Stability, Stiffness
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
PLACES = {"site": "at site ambient", "vacuum": "referred to vacuum"}


def detail(results: Results, curves: Curves, context: ReportContext, register: Register) -> tuple[Section, ...]:
    """Build the sections; none where the analysis that wrote the results did not know of them."""
    found = results.firing
    if found is None:
        return ()
    return (_course(found, context, register), _masses(found), _stability(found, curves))


def _course(found: FiringDetail, context: ReportContext, register: Register) -> Section:
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
    blocks: list[Block] = [quantity_table(tuple(table))]
    if start is not None:
        blocks.append(Text(f"By {start.channel}. {start.definition[0].upper()}{start.definition[1:]}."))
    if found.burns:
        named: Rows = []
        for burn in found.burns:
            named += [
                (f"Burn time, {burn.definition}", burn.burn_time, None),
                (f"Mean thrust, {burn.definition}", burn.mean_thrust, None),
            ]
        blocks.append(quantity_table(measured_rows(register, named, ()), "Burn time and mean thrust by definition."))
    if found.stiffness:
        blocks.append(_stiffness_table(found.stiffness))
    return Section(
        anchor="course",
        title="Transients and injector pressure-drop ratio",
        lead="How fast the engine started and shut down, and how the injector's pressure drop over chamber pressure "
        "changed meanwhile: total impulse does not depend on any of these definitions.",
        blocks=tuple(blocks),
    )


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
    if found.reserve is not None:
        blocks.append(Text(_reserve(found.reserve)))
    return Section(
        anchor="masses",
        title="Mass balance, and the load",
        lead="Whether scales, load cell and flow areas tell the same mass, and which load would just stay in "
        "the class.",
        blocks=tuple(blocks),
        symbols=(
            ("closure", "mass by a route less the scales' mass, over the scales' mass"),
            ("O/F", "oxidiser over fuel"),
        ),
    )


def _reserve(found: ClassReserve) -> str:
    words = [
        f"Without its largest source, {found.largest_source}, the expanded uncertainty of the impulse would shrink by "
        f"{number_format.fixed(found.gain, 0)} N·s."
    ]
    for place, share in found.probability_exceeding.items():
        said = "is not known" if share is None else f"is {number_format.probability(share)}"
        words.append(f"The probability that this run exceeded the limit {PLACES.get(place, place)} {said}.")
    if found.greatest_load is None:
        words.append("No load is named: part of the impulse is not known.")
    elif found.limited_by == "tank":
        words.append(
            f"Even with {number_format.fixed(found.greatest_load, 1)} kg, a tank full, the model carries this run's "
            "impulse to within the limit."
        )
    else:
        words.append(
            f"Carried over by the model, this run's impulse would just stay within the limit "
            f"{PLACES.get(found.limited_by, '')}, guard band included, with "
            f"{number_format.fixed(found.greatest_load, 1)} kg of both liquids at the same mixture; "
            f"{number_format.fixed(found.load, 1)} kg were loaded. Another firing scatters."
        )
    return " ".join(words)


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
    blocks: list[Block] = list(
        picture(
            spectrum_figure.spectrum(curves, steady),
            "Amplitude density over the steady burn, each channel over its own mean; named peaks are marked.",
        )
    )
    blocks.append(
        Text(
            f"{steady.channel}: {number_format.percent(steady.rms_share, 2)} rms of the mean over the steady burn, "
            f"at most {number_format.percent(steady.greatest_rms_share, 2)} within one second, about "
            f"{number_format.seconds(steady.greatest_at, 1)}. Smooth, within "
            f"{number_format.percent(steady.smooth_limit, 0)} of the local mean, for "
            f"{number_format.percent(steady.smooth_share, 1)} of it. {limit_words(steady)}"
        )
    )
    alike: dict[tuple[str, str], list[Line]] = {}
    for line in steady.lines:
        alike.setdefault((_what(line), frequencies(line)), []).append(line)
    rows = tuple(_line_row(what, lines) for (what, _), lines in alike.items())
    if rows:
        head = ("Frequency", "What it is", "Channels", "Seen", "Largest amplitude, first to last")
        blocks.append(
            Table(head=head, rows=rows, figures=frozenset({0, 3, 4}), caption="Spectral peaks above the noise.")
        )
    return blocks


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
