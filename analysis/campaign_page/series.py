"""Put one quantity of several runs in a row, and say what it shows: level, scatter from run to run, drift, break.

A series holds one quantity, one kind of test and one configuration of hardware: nothing is pooled or joined across.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from standbook.analysis.campaign.run_table import RunRow
from standbook.analysis.report.content.number_format import round_pair, show
from standbook.analysis.results.quantities import Measured
from standbook.analysis.several_runs.pooling import pooled
from standbook.analysis.several_runs.trends import FALSE, FEWEST, LEAST_SCATTER, slope_of, split_of

ONE_IN = round(1.0 / FALSE)


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """One run's value. SI."""

    run: str
    date: str
    value: float
    u_own: float
    u_common: float
    place: int = 0  # of its run among those of the campaign

    @property
    def u(self) -> float:
        """All of it."""
        return float((self.u_own**2 + self.u_common**2) ** 0.5)


@dataclass(frozen=True, slots=True, kw_only=True)
class Series:
    """One quantity from run to run."""

    name: str  # "CdA oxidiser"
    kind: str  # of test
    hardware: int | None
    unit: str  # SI
    points: tuple[Point, ...]
    parts_known: bool = True  # what all runs have in common is told apart from each run's own
    change: str = ""  # what made it another configuration

    @property
    def sentence(self) -> str:
        """What the series shows; with one run, that it shows nothing yet."""
        if len(self.points) == 1:
            return "One run: no scatter is known."
        values, own = [p.value for p in self.points], [p.u_own for p in self.points]
        if self.parts_known:
            found = pooled(values, own, max(p.u_common for p in self.points))
        else:  # all of it may be common: only the scatter that shows is averaged
            found = pooled(values, [LEAST_SCATTER * abs(value) for value in values], max(own))
        said = [f"{len(values)} runs, {_words(found.value, found.half_width, self.unit)} (95 %)."]
        if not found.quotes_scatter:
            apart = abs(values[1] - values[0])
            said.append(f"They lie {100.0 * apart / abs(values[0]):.1f} % apart; two runs show no scatter.")
            return " ".join(said)
        if found.between > 0.0:
            share, freedom = 100.0 * found.between / abs(found.value), len(values) - 1
            beside = "beside their own u" if self.parts_known else "with their own errors"
            said.append(f"Scatter from run to run {beside}: {share:.1f} % ({freedom} degrees of freedom).")
        elif not self.parts_known:
            said.append(f"They scatter by no more than {100.0 * LEAST_SCATTER:.1f} %, below which none is told.")
        else:
            said.append(f"No scatter beyond their own u shows, which {len(values)} runs do not prove to be none.")
        return " ".join([*said, self._course(values, own)])

    def _course(self, values: Sequence[float], own: Sequence[float]) -> str:
        """Say whether the series drifts or breaks; ``FALSE`` of steady series are called so by chance."""
        if len(values) < FEWEST:
            return ""
        level = abs(sum(values) / len(values))
        line = slope_of(values, own, scatter=LEAST_SCATTER * level)
        break_ = split_of(values, own, scatter=LEAST_SCATTER * level)
        if break_.is_seen:
            at = self.points[break_.before]
            return (
                f"A step of {100.0 * break_.step / level:+.1f} % before {at.run}, {at.date}: what was changed? "
                f"(1 steady series in {ONE_IN} looks so.)"
            )
        if line.is_seen:
            return f"It drifts by {100.0 * line.per_run / level:+.2f} % a run (1 steady series in {ONE_IN} looks so)."
        return "No drift and no step is shown."


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """What is drawn in one figure: one quantity of one kind of test, a series for each configuration."""

    title: str
    unit: str
    series: tuple[Series, ...]

    @property
    def points(self) -> tuple[Point, ...]:
        """All of them, in the order of the runs."""
        return tuple(sorted((p for one in self.series for p in one.points), key=lambda point: point.place))

    @property
    def breaks(self) -> tuple[tuple[int, str], ...]:
        """Before which of the points another configuration begins, and its name."""
        owner = {point.place: one.hardware for one in self.series for point in one.points}
        names = [f"hw{owner[point.place]}" for point in self.points]
        return tuple((at, name) for at, name in enumerate(names) if at and name != names[at - 1])

    @property
    def sentence(self) -> str:
        """What each series shows; of several each behind the name of its configuration and what made it another."""
        if len(self.series) == 1:
            return self.series[0].sentence
        told = []
        for one in self.series:
            other = f" ({one.change} changed)" if one.change else ""
            told.append(f"hw{one.hardware}{other}: {one.sentence}")
        return " ".join(told)


def panels_of(found: Sequence[Series]) -> tuple[Panel, ...]:
    """Put the configurations of one quantity and kind of test side by side; what has one run in all is no panel."""
    grouped: dict[tuple[str, str, str, bool], list[Series]] = {}
    for series in found:
        grouped.setdefault((series.name, series.kind, series.unit, series.parts_known), []).append(series)
    return tuple(
        Panel(title=f"{name}, {kind}, {_hardware(members)}", unit=unit, series=tuple(members))
        for (name, kind, unit, _), members in grouped.items()
        if sum(len(series.points) for series in members) > 1
    )


def _hardware(members: Sequence[Series]) -> str:
    return ", ".join(f"hw{series.hardware}" for series in members)


def single_runs(found: Sequence[Series]) -> tuple[str, ...]:
    """Say what the series of one run hold, a sentence for each kind of test and configuration."""
    grouped: dict[tuple[str, int | None, str], list[str]] = {}
    drawn = {id(series) for panel in panels_of(found) for series in panel.series}
    for series in found:
        if id(series) not in drawn:
            (only,) = series.points
            value = show(Measured(only.value, only.u, series.unit)).with_u
            grouped.setdefault((series.kind, series.hardware, only.run), []).append(f"{series.name} {value}")
    return tuple(
        f"{run}, the only {kind} of hw{hardware}, so that no scatter is known: {', '.join(values)}."
        for (kind, hardware, run), values in grouped.items()
    )


def series_of(rows: Sequence[RunRow]) -> tuple[Series, ...]:
    """Return every series of the runs that were analysed, in order of first appearance, none of a rehearsal.

    Rows of rehearsals, of unreadable runs and of lower bounds are left out.
    """
    found: dict[tuple[str, str, int | None, str, bool], list[Point]] = {}
    changes = {row.hardware: row.hardware_change for row in rows if row.hardware_change}
    for place, row in enumerate(rows):
        if not row.is_test or row.why:
            continue
        for name, value, common in _values(row):
            own = max(value.u**2 - (common or 0.0) ** 2, 0.0) ** 0.5
            point = Point(
                run=row.number, date=row.date, value=value.value, u_own=own, u_common=common or 0.0, place=place
            )
            if own > 0.0:
                key = (name, row.kind, row.hardware, value.unit, common is not None)
                found.setdefault(key, []).append(point)
    return tuple(
        Series(
            name=name,
            kind=kind,
            hardware=hardware,
            unit=unit,
            points=tuple(points),
            parts_known=parts_known,
            change=changes.get(hardware, ""),
        )
        for (name, kind, hardware, unit, parts_known), points in found.items()
    )


def _values(row: RunRow) -> Iterator[tuple[str, Measured, float | None]]:
    """Yield name, value and common uncertainty of what a run tells; ``None`` where the parts are not told apart."""
    yield from ((f"CdA {name}", value, row.cda_common.get(name)) for name, value in row.cda.items())
    yield from ((f"exponent {name}", value, None) for name, value in row.exponent.items())
    engine = (
        ("c*", row.cstar),
        ("specific impulse", row.isp),
        ("impulse per kg expelled", row.impulse_per_mass),  # impulse itself goes with the load
    )
    yield from ((name, value, None) for name, value in engine if value is not None)


def _words(value: float, half_width: float, unit: str) -> str:
    shown = show(Measured(value, half_width, unit))
    if shown.u:
        return f"{shown.value} ± {shown.u} {shown.unit}".rstrip()
    return " ± ".join(round_pair(value, half_width))
