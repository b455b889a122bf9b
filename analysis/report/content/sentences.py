"""Write the sentences of the report, in words that a regulator and a landowner can read.

Words first: each sentence carries value, limit and consequence. Nothing here computes a result.
"""

import math
import re
from collections.abc import Iterable

from standbook.analysis.report.content import number_format
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ImpulseResult, Results, Verdict
from standbook.daq.findings.finding import Finding, Severity
from standbook.daq.kinds.registry import kind_named

PLACES = {"site": "At site ambient", "vacuum": "Referred to vacuum"}
OUTCOME_WORDS = {"within": "Within", "exceeds": "Exceeds", "not shown": "Not shown"}
SEVERITIES: tuple[Severity, ...] = ("serious", "caution", "note")

NOT_COVERED_FIRING = (
    "One firing of one motor; the plan declares {motors}, and a limit counts the sum. It does not bound the next "
    "article: articles, loads and days scatter, one run shows none of that scatter, and with two or three runs the "
    "factor that covers it is still large. A ground article may differ from the one that flies. This page is evidence "
    "for those who decide; it certifies nothing."
)
NOT_COVERED_FLOW = (
    "One flow of one liquid. The ullage exponent belongs to this gas, this fill and this duration and does not carry "
    "over to a cryogenic tank. CdA carries over with its uncertainty while the flow stays turbulent and does not "
    "cavitate; the back pressure of a burning chamber was absent."
)
NOTHING_THERE = "Nothing real was filled, pressurised or fired, so nothing is left that could be over or not."
CAUTION_LINE = (
    "Evidence only: no reading on this page is authority to approach, load or fire. Relief valves, distance, a "
    "hard-wired abort and procedure protect people; local codes, the authority having jurisdiction and licensed "
    "practice decide."
)
CAUTIONS = (
    "This software records and computes. It is no protective system, it commands nothing, and losing it must leave "
    "the stand as controllable as before.",
    "Relief valves, a remote vent, a hard-wired abort, distance and procedure protect people. Approach only on the "
    "range safety officer's word, after the waiting time, with a mechanical gauge as confirmation.",
    "Compressed gas above a liquid is stored energy. Proof and calibrate with liquid first, keep people away while "
    "pressurising, respect nameplate pressure and lowest temperature, and leave coded vessels as they were made.",
    "Cryogenic liquids burn skin, displace or enrich air, embrittle metals, and burst any section in which they are "
    "trapped without relief.",
    "Oxygen parts must be clean, compatible and free of oil, and valves must open slowly; liquid oxygen pooled with "
    "fuel can detonate. Calibrating, taping or drying must not undo the cleaning.",
    "Load, pressurise, fire and vent from a distance, two people to every critical act.",
    "Local codes, the authority having jurisdiction, the landowner, the insurer and licensed practice for vessels, "
    "oxygen and propellants come before anything printed here.",
)


def title(results: Results) -> str:
    """Name the measured result."""
    kind = kind_named(results.kind)
    return kind.title.format(name=kind.name)


def unplaced(sentence: str) -> str:
    """Leave out the place that a verdict's sentence begins with, where it is printed above it."""
    for place in PLACES.values():
        if sentence.startswith(f"{place} "):
            rest = sentence.removeprefix(f"{place} ")
            return f"{rest[0].upper()}{rest[1:]}"
    return sentence


def impulse_at(place: str, results: Results) -> ImpulseResult | None:
    """Return the impulse that a verdict is about."""
    return results.impulse_vacuum if place == "vacuum" else results.impulse


def verdict_sentence(place: str, results: Results) -> str:
    """Write one verdict with its bound, its limit and the consequence."""
    verdict, impulse = results.verdicts[place], impulse_at(place, results)
    where = PLACES.get(place, place)
    limit = f"{number_format.fixed(verdict.limit, 0)} N·s"
    guard = f"{number_format.percent(verdict.guard_share, 0)} one-sided"
    if verdict.withheld:
        return f"{where} the result is not held against the limit of {limit}: {verdict.withheld}."
    if verdict.outcome == "within" and verdict.upper_bound is not None:
        if verdict.raised_by and impulse is not None:
            made = _raised(place, verdict.upper_bound, impulse, results, f"not above the limit of {limit}")
            return f"{where} {made} {_break_even(verdict, impulse, results)}"
        bound = number_format.upper(verdict.upper_bound, verdict.limit)
        return f"{where} the {guard} upper bound is {bound} N·s, not above the limit of {limit}."
    if verdict.outcome == "exceeds" and verdict.lower_bound is not None:
        bound = number_format.lower(verdict.lower_bound, verdict.limit)
        return f"{where} even the {guard} lower bound, {bound} N·s, reaches the limit of {limit}."
    if impulse is None:
        return f"{where} the impulse is not known, so nothing is shown about the limit of {limit}."
    if impulse.lower_bound_only:
        return f"{where} impulse was hidden from the record: the result is a lower bound and shows no upper one."
    if verdict.upper_bound is not None and verdict.upper_bound > verdict.limit:
        if verdict.raised_by:
            made = _raised(
                place, verdict.upper_bound, impulse, results, f"above the limit of {limit}, so it stays open"
            )
            return f"{where} {made} No check proves the cell's own {two_armed(impulse)}."
        bound = number_format.upper(verdict.upper_bound, verdict.limit)
        return f"{where} the {guard} upper bound is {bound} N·s, above the limit of {limit}, so it stays open."
    return f"{where} nothing is shown about the limit of {limit}. {verdict.reason}."


def _raised(place: str, upper: float, impulse: ImpulseResult, results: Results, said: str) -> str:
    """Write the bound that another route raised: against the limit, and what it is made of."""
    verdict, site = results.verdicts[place], results.verdicts.get("site")
    bound = number_format.upper_beside(upper, verdict.limit, impulse.expanded)
    made_of = verdict.raised_by.removeprefix("the ")
    if place == "vacuum" and site is not None and site.upper_bound is not None and site.raised_by == verdict.raised_by:
        # The share is added to the impulse at site; what the air takes from the thrust comes on top of it.
        at_site = number_format.upper_beside(site.upper_bound, site.limit, impulse.expanded)
        air = number_format.fixed(round(upper - site.upper_bound, -1), 0)
        made_of = f"the {at_site} at site ambient and about {air} that the air took from the thrust"
    return f"the upper bound is {bound} N·s, {said}: {made_of}."


def _break_even(verdict: Verdict, impulse: ImpulseResult, results: Results) -> str:
    """Write how low the cell would have to read for the limit to be passed, from the upper end of its interval."""
    site = results.impulse
    unproven = f"No check proves the cell's own {two_armed(impulse)}."
    if site is None:
        return unproven
    # What the air takes from the thrust is not weighed by the cell, so a wrong gain does not touch it.
    weighed = verdict.limit - (impulse.value - site.value)
    share = 1.0 - (site.value + site.expanded + site.allowance) / weighed
    if share <= 0.0:
        return unproven
    low = number_format.percent(math.floor(1000.0 * share) / 1000.0)
    return f"No check proves the cell: one that reads {low} low would be over the limit."


def raising_route(verdict: Verdict) -> str:
    """Name the route that raised the upper bound, without what was added to it; empty where none did."""
    return re.split(r" with | plus ", verdict.raised_by)[0].removeprefix("the ")


def deciding_sentence(results: Results) -> str:
    """Say which of two impulses is held nearer to the limit, or farther over it; empty where nothing is compared."""
    bounds = {
        place: verdict.upper_bound
        for place, verdict in results.verdicts.items()
        if verdict.upper_bound is not None and not verdict.withheld
    }
    place = max(bounds, key=lambda name: bounds[name], default="")
    impulse = impulse_at(place, results)
    if len(bounds) < 2 or impulse is None:
        return ""
    bound = number_format.upper_beside(bounds[place], results.verdicts[place].limit, impulse.expanded)
    return f"{PLACES.get(place, place)} decides: its upper bound, {bound} N·s, is the higher."


def probability_sentence(verdict: Verdict) -> str:
    """Write the probability that the true impulse lies within the limit, with its condition."""
    if verdict.probability_within is None:
        return "Probability within the limit: not known."
    share = number_format.probability(verdict.probability_within)
    return f"Probability within the limit, if the cell reads true and its stated uncertainty holds: {share}."


def checks_sentence(results: Results) -> str:
    """Write what the record could not show of the cell, and the check that would show it."""
    checks = results.firing.checks if results.firing is not None else None
    if checks is None or results.impulse is None or results.impulse.lower_bound_only:
        return ""
    if checks.gain_proven:
        return "Check weights before and after the run prove the cell's gain."
    hang = "Check weights before and after, hoses on and pressurised, would prove it; none are on record."
    if not checks.routes:
        return f"None: nothing but the cell vouches for the cell, so its error is not bounded. {hang}"
    told = " and ".join(
        f"{route.name} {number_format.percent(abs(route.apart))} {'more' if route.apart > 0.0 else 'less'} "
        f"(u = {number_format.percent(route.impulse.u / route.impulse.value)})"
        for route in checks.routes
    )
    least = min(route.seen_surely for route in checks.routes)
    unseen = f"A cell that reads up to {number_format.percent(least)} low might go unnoticed here"
    return f"Beside the cell: {told}. {unseen}{_read_low(results, least)}. {hang}"


def _read_low(results: Results, share: float) -> str:
    """Write what the higher impulse would be, had the cell read low by a share, and on which side of the limit."""
    site, vacuum = results.impulse, results.impulse_vacuum
    if site is None or share >= 1.0:
        return ""
    true, where = site.value / (1.0 - share), "at site ambient"
    if vacuum is not None and "vacuum" in results.verdicts and vacuum.value > site.value:
        # What the air takes from the thrust is not weighed by the cell, so a wrong gain does not touch it.
        true, where = true + vacuum.value - site.value, "referred to vacuum"
    limit = next((verdict.limit for verdict in results.verdicts.values()), math.inf)
    said = f": the impulse {where} would then be {number_format.upper_beside(true, limit, site.expanded)} N·s"
    if limit == math.inf:
        return said
    return f"{said}, {'over' if true > limit else 'not over'} the limit of {number_format.fixed(limit, 0)} N·s"


def impulse_words(impulse: ImpulseResult) -> str:
    """Write the impulse with expanded uncertainty and coverage factor."""
    return f"{two_armed(impulse)}, k = {number_format.plain(impulse.coverage_factor, 3)}"


def two_armed(impulse: ImpulseResult) -> str:
    """Write an impulse with its expanded uncertainty, the upper arm longer by what was never measured."""
    expanded = number_format.show(Measured(impulse.value, impulse.expanded, impulse.unit)).plus_minus
    if impulse.allowance <= 0.0:
        return expanded
    up = Measured(impulse.value, impulse.expanded + impulse.allowance, impulse.unit)
    _, _, upper = number_format.show(up).plus_minus.partition(" ± ")
    value, _, lower = expanded.partition(" ± ")
    return f"{value} − {lower.removesuffix(' N·s')} / + {upper}"


def headline(results: Results) -> str:
    """Write the main result in one sentence."""
    impulse = results.impulse
    if impulse is None:
        return "Total impulse: not known."
    span = "the whole record"
    if results.window is not None:
        span = f"{number_format.seconds(results.window.start, 2)} to {number_format.seconds(results.window.end, 2)}"
    if impulse.lower_bound_only:
        return f"Recorded part, {span}; the true total may be higher."
    if any(verdict.outcome == "not shown" and verdict.lower_bound is None for verdict in results.verdicts.values()):
        return f"Thrust summed over {span}; not to be used as it is, the findings say why."
    return f"Thrust summed over {span}; about 95 % coverage."


def guard_sentence(context: ReportContext) -> str:
    """Explain the guard band."""
    guard = context.plan.guard
    return f"{guard}: within only if the upper bound is at or below the limit" if guard else "none stated"


def prediction_sentence(results: Results, context: ReportContext) -> str:
    """Write whether the prediction was locked before T-0."""
    if results.prediction == "locked":
        when = f" on {stamp(context.locked_at)}" if context.locked_at else ""
        return f"Prediction locked{when}, before T-0."
    return "Not locked before T-0 (calculated afterwards): agreement with the record is no evidence of foresight."


def findings_count(findings: Iterable[Finding]) -> str:
    """Count the findings that need review."""
    ranks = [finding.severity for finding in findings]
    serious, caution, note = (ranks.count(severity) for severity in SEVERITIES)
    if not serious and not caution:
        return f"No caution and no serious finding ({_plural(note, 'note')})."
    return f"Cautions and serious findings: {serious + caution} ({serious} serious, {_plural(caution, 'caution')})."


def shortened(text: str, most: int, more: str) -> str:
    """Leave whole sentences out at the end, or words of the first one, and say where the whole text stands."""
    if len(text) <= most:
        return text
    kept = most - len(more) - 1
    ends = [found.end() for found in re.finditer(r"[.;:](?= )", text) if found.end() <= kept]
    if ends:
        return f"{text[: ends[-1] - 1]}. {more}"
    return f"{text[: kept - 2].rpartition(' ')[0]} \u2026 {more}"


def ranked(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Order findings: serious first, then cautions, then notes, each in their own order."""
    return tuple(sorted(findings, key=lambda finding: SEVERITIES.index(finding.severity)))


def stamp(time: str) -> str:
    """Write an ISO 8601 instant in UTC to the second for reading: ``2031-06-14 15:02:11 UTC``."""
    date, _, rest = time.partition("T")
    clock = rest.removesuffix("Z").removesuffix("+00:00").partition(".")[0]
    return f"{date} {clock} UTC" if clock else date


def _plural(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
