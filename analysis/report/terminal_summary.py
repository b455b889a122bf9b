"""Summarise results in a handful of lines for the terminal: keep or repeat, and why."""

from collections.abc import Iterator

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.foresight import foresight
from standbook.analysis.report.content.sentences import (
    findings_count,
    headline,
    impulse_words,
    probability_sentence,
    ranked,
    verdict_sentence,
)
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results, TankResult
from standbook.daq.kinds.registry import kind_named

SHOWN_FINDINGS = 6


def terminal_summary(results: Results) -> tuple[str, ...]:
    """Summarise the results, one line a fact, the most important first."""
    return tuple(_lines(results))


def _lines(results: Results) -> Iterator[str]:
    if results.rehearsal:
        yield "REHEARSAL: simulated data, nothing here may be signed."
    if kind_named(results.kind).fires:
        yield from _impulse(results)
    for name, tank in results.tanks.items():
        yield from _tank(name, tank)
    for name, hold in results.holds.items():
        yield f"{name} tank: {hold.sentence}."
    if results.engine is not None:
        yield from _engine(results)
    yield from foresight(results)
    yield findings_count(results.findings)
    for finding in ranked(results.findings)[:SHOWN_FINDINGS]:
        if finding.severity != "note":
            yield f"{finding.severity.upper()}: {number_format.signs(finding.text)}"


def _impulse(results: Results) -> Iterator[str]:
    if results.impulse is not None:
        what = "Recorded part of the impulse" if results.impulse.lower_bound_only else "Total impulse"
        yield f"{what} {impulse_words(results.impulse)}. {headline(results)}"
    for place, verdict in results.verdicts.items():
        yield f"{verdict.outcome.upper()}: {verdict_sentence(place, results)} {probability_sentence(verdict)}"
    if results.burn_time is not None:
        yield f"Burn time {number_format.show(results.burn_time).with_u}."


def _tank(name: str, tank: TankResult) -> Iterator[str]:
    parts = []
    if tank.cda is not None:
        parts.append(f"CdA {number_format.show(tank.cda).with_u}")
    if tank.exponent is not None:
        chord, start = tank.exponent.chord, tank.exponent.start
        parts.append(f"exponent {number_format.show(chord).with_u}, at the start {number_format.show(start).with_u}")
    if tank.expelled_mass is not None:
        parts.append(f"expelled {number_format.show(tank.expelled_mass).with_u}")
    yield f"{name} tank: {', '.join(parts) if parts else 'nothing could be fitted'}."


def _engine(results: Results) -> Iterator[str]:
    engine = results.engine
    assert engine is not None  # noqa: S101 - asked by the caller
    named: tuple[tuple[str, Measured | None], ...] = (
        ("c*", engine.cstar),
        ("Isp", engine.isp),
        ("mixture ratio", engine.mixture_ratio),
    )
    known = [f"{name} {number_format.show(value).with_u}" for name, value in named if value is not None]
    if known:
        yield f"Engine: {', '.join(known)}."
