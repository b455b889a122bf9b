"""Say how the stand itself moved from run to run: zeros, spans, throat, clocks.

A zero is held against what its calibration says, so it is a series of one revision; spans and throats are held against
their first. Nothing of these is pooled but the rate of a clock.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from scipy.special import ndtri

from standbook.analysis.campaign.stand_state import CampaignState
from standbook.analysis.campaign_page.series import ONE_IN, Point
from standbook.analysis.report.content.number_format import round_pair, two_digits
from standbook.analysis.several_runs.pooling import pooled
from standbook.analysis.several_runs.trends import FEWEST, move_of, slope_of, split_of

CLOCK_SCATTER = 5.0  # ppm, of a crystal from day to day by its temperature: common practice, no source
NORMAL_95 = float(ndtri(0.975))
CHANCE = f"(1 steady series in {ONE_IN} looks so)"


@dataclass(frozen=True, slots=True, kw_only=True)
class StandSeries:
    """One property of the stand from run to run, and what it shows in one or two sentences."""

    title: str
    unit: str  # as shown by its figure
    points: tuple[Point, ...]
    sentence: str
    parts_known: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class StandCourse:
    """All of them that have two values or more, and what is to be said of those that have one."""

    series: tuple[StandSeries, ...]
    remarks: tuple[str, ...]


def stand_course(state: CampaignState) -> StandCourse:
    """Return the series of a campaign's tests: zeros, spans, throats, clocks; of single values a sentence."""
    found, remarks = [], []
    for kind in _kinds(state):
        several = {of: points for of, points in kind.points.items() if len(points) > 1}
        found += [
            StandSeries(
                title=f"{kind.what} of {of}", unit=kind.unit, points=tuple(points), sentence=kind.sentence(points)
            )
            for of, points in several.items()
        ]
        if alone := [of for of in kind.points if of not in several]:
            remarks.append(
                f"{kind.what.capitalize()}, one value only and nothing to compare it with: {', '.join(alone)}."
            )
    return StandCourse(series=tuple(found), remarks=tuple(remarks))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    what: str
    points: Mapping[str, Sequence[Point]]  # by what it is of
    unit: str
    sentence: Callable[[Sequence[Point]], str]


def _kinds(state: CampaignState) -> tuple[_Kind, ...]:
    return (
        _Kind(what="zero", points=_zeros(state), unit="stated u", sentence=_zero_sentence),
        _Kind(what="span", points=_spans(state), unit="%", sentence=_span_sentence),
        _Kind(what="throat diameter", points=_throats(state), unit="mm", sentence=_throat_sentence),
        _Kind(what="clock", points=_clocks(state), unit="ppm", sentence=_clock_sentence),
    )


def _gathered(found: Iterable[tuple[str, Point]]) -> dict[str, list[Point]]:
    gathered: dict[str, list[Point]] = {}
    for of, point in found:
        gathered.setdefault(of, []).append(point)
    return gathered


def _point(run: str, date: str, value: float, u: float) -> Point:
    return Point(run=run, date=date, value=value, u_own=u, u_common=0.0)


def _zeros(state: CampaignState) -> dict[str, list[Point]]:
    return _gathered(
        (f"{tag} ({zero.revision})", _point(run.run, run.date, zero.departure, 1.0))
        for run in state.runs
        for tag, zero in run.zeros.items()
    )


def _spans(state: CampaignState) -> dict[str, list[Point]]:
    return _gathered(
        (
            f"{span.tag}{f', sensor {span.sensor}' if span.sensor > 1 else ''}",
            _point(span.revision, span.date, 100.0 * span.change, 100.0 * span.u),
        )
        for span in state.spans
    )


def _throats(state: CampaignState) -> dict[str, list[Point]]:
    """Return diameters by article; one that is stated again is no new measurement."""
    found: dict[str, list[Point]] = {}
    for throat in (one for run in state.runs for one in run.throats):
        points = found.setdefault(throat.article, [])
        point = _point(throat.of, throat.date, 1e3 * throat.diameter.value, 1e3 * throat.diameter.u)
        if not points or (points[-1].value, points[-1].u_own) != (point.value, point.u_own):
            points.append(point)
    return found


def _clocks(state: CampaignState) -> dict[str, list[Point]]:
    return _gathered(
        (device, _point(run.run, run.date, rate.value, rate.u))
        for run in state.runs
        for device, rate in run.clocks.items()
    )


def _zero_sentence(points: Sequence[Point]) -> str:
    values = [point.value for point in points]
    farthest = max(points, key=lambda point: abs(point.value))
    said = (
        f"{len(points)} checks: the last at {_signed(values[-1])}, the farthest at {_signed(farthest.value)} "
        f"({farthest.run}) of its stated uncertainty. "
    )
    move = move_of(values)
    if not move.is_seen:
        return said + "No move is shown."
    since = points[move.since]
    said += f"From about {since.run}, {since.date}, on it lies {_signed(move.level)} off"
    if len(values) >= FEWEST and (line := slope_of(values, [point.u_own for point in points])).is_seen:
        said += f" and drifts by {_signed(line.per_run)} a run"
    return f"{said}: find what moved it, or calibrate it again {CHANCE}."


def _signed(departure: float) -> str:
    return f"{departure:+.1f}" if abs(departure) >= 0.05 else "0.0"


def _span_sentence(points: Sequence[Point]) -> str:
    return (
        f"{len(points)} revisions that runs were made with. {_against_first(points, '%')} {_drift(points, '%')}".strip()
    )


def _throat_sentence(points: Sequence[Point]) -> str:
    first, last = points[0], points[-1]
    area = 100.0 * ((last.value / first.value) ** 2 - 1.0)
    sizes = " to ".join(f"{' ± '.join(round_pair(p.value, NORMAL_95 * p.u_own))} mm ({p.run})" for p in (first, last))
    return (
        f"From {sizes}, 95 %: its area by {area:+.2f} %. {_against_first(points, 'mm')} {_drift(points, 'mm')}".strip()
    )


def _clock_sentence(points: Sequence[Point]) -> str:
    values, own = [p.value for p in points], [p.u_own for p in points]
    found = pooled(values, own)
    said = f"{len(points)} runs, {' ± '.join(round_pair(found.value, found.half_width))} ppm (95 %)."
    if len(points) < FEWEST:
        return f"{said} {_against_first(points, 'ppm')}"
    break_ = split_of(values, own, scatter=CLOCK_SCATTER)
    if break_.is_seen:
        at = points[break_.before]
        step = two_digits(break_.step, signed=True)
        return f"{said} A step of {step} ppm before {at.run}, {at.date}: another board? {CHANCE}."
    return f"{said} {_drift(points, 'ppm', scatter=CLOCK_SCATTER)}"


def _against_first(points: Sequence[Point], unit: str) -> str:
    first, last = points[0], points[-1]
    change, u = last.value - first.value, (first.u_own**2 + last.u_own**2) ** 0.5
    value, half = round_pair(change, NORMAL_95 * u)
    word = "told apart" if abs(change) > NORMAL_95 * u else "not told apart"
    return f"{last.run} less {first.run}: {value} ± {half} {unit} (95 %), {word}."


def _drift(points: Sequence[Point], unit: str, *, scatter: float = 0.0) -> str:
    if len(points) < FEWEST:
        return ""
    line = slope_of([p.value for p in points], [p.u_own for p in points], scatter=scatter)
    if line.is_seen:
        return f"It drifts by {two_digits(line.per_run, signed=True)} {unit} from one to the next {CHANCE}."
    return "No drift is shown."
