"""Compare a run with its prediction in three sentences: what stayed inside its band, what left it, which assumption.

Reads results only; the assumptions were ranked by the analysis, nothing is judged here.
"""

from standbook.analysis.findings.catalogue import is_in_group
from standbook.analysis.findings.causes import CAUSE_NOT_KNOWN, LIKELY_CAUSE, MOVED_ASSUMPTION
from standbook.analysis.report.content import number_format
from standbook.analysis.results.results import Comparison, Results
from standbook.analysis.signal.band_comparison import INSIDE_ENOUGH, ranked
from standbook.daq.findings.finding import Finding
from standbook.daq.kinds.registry import kind_named

TOLD = 3  # quantities, and causes, that a sentence names


def foresight(results: Results) -> tuple[str, ...]:
    """Compare the run with its prediction; empty where nothing was compared."""
    if not results.comparison:
        return ()
    part = _part(results)
    order = ranked(results.comparison)
    kept = sum(item.share_in_band >= INSIDE_ENOUGH for _, item in order)
    kind = "locked before T-0" if results.prediction == "locked" else "not locked before T-0, calculated afterwards"
    number = len(order)
    said = [
        f"Prediction ({kind}): {kept} of {number} {'quantity' if number == 1 else 'quantities'} stayed inside the 95 % "
        f"band for at least {number_format.percent(INSIDE_ENOUGH, 0)} of the {part}.",
        "Farthest from it, in band half-widths: "
        + "; ".join(_departure(name, item, part) for name, item in _worth_naming(order))
        + ".",
    ]
    moved = what_moved(results)
    if moved is not None:
        said.append(moved)
    elif kept < number:
        said.append("This record does not tell which assumption explains it; compare the findings with the plan.")
    return tuple(said)


def what_moved(results: Results) -> str | None:
    """Name the assumptions or causes that the analysis ranked first, ``None`` where it ranked none."""
    causes = [f for f in results.findings if is_in_group(f, LIKELY_CAUSE, MOVED_ASSUMPTION)]
    if not causes:
        return None
    named = [_named(f) for f in causes if "what" in f.values][:TOLD]
    if not named and causes[0].of(CAUSE_NOT_KNOWN):
        return f"No single known cause explains it: {_decided(causes[0])}."
    if not named:  # of an analysis that kept no values
        return f"The ranked assumptions stand among the findings. To decide: {_decided(causes[0])}."
    what = "Assumption that best explains the deviation" if is_in_group(causes[0], MOVED_ASSUMPTION) else "Cause"
    order = ", most likely first" if len(named) > 1 else ""
    return f"{what}{order}: {'; '.join(named)}. To decide: {_decided(causes[0])}."


def _named(finding: Finding) -> str:
    """Write a cause with how it stands beside the others, as far as the finding kept that."""
    if "standing" in finding.values:
        return f"{finding.values['what']} ({finding.values['standing']})"
    return f"{finding.values['what']}, {finding.values['share_percent']:.0f} %"


def side_word(item: Comparison) -> str:
    """Return on which side of the prediction the farthest departure lies; nothing where the results do not say."""
    return "" if item.above is None else " above" if item.above else " below"


def band_words(results: Results, name: str) -> str:
    """Write how a curve stood against its predicted band, for a caption."""
    item = results.comparison.get(name)
    if item is None:
        return "no prediction stands beside it"
    share = number_format.percent(item.share_in_band, 0)
    far = f"{number_format.fixed(item.worst_departure, 2)} half-widths{side_word(item) or ' from'} the prediction"
    return f"inside the predicted 95 % band for {share} of the {_part(results)}, farthest {far} at " + (
        number_format.seconds(item.at, 1)
    )


def quantity_words(name: str) -> str:
    """Write ``tank pressure/fuel`` as people say it."""
    quantity, _, tank = name.partition("/")
    return f"{tank} {quantity}" if tank else quantity


def _worth_naming(order: tuple[tuple[str, Comparison], ...]) -> tuple[tuple[str, Comparison], ...]:
    outside = tuple(pair for pair in order if pair[1].worst_departure > 1.0)
    return outside[:TOLD] or order[:1]


def _departure(name: str, item: Comparison, part: str) -> str:
    return (
        f"{quantity_words(name)} {number_format.fixed(item.worst_departure, 2)}{side_word(item)} at "
        f"{number_format.seconds(item.at, 1)}, {number_format.percent(item.share_in_band, 0)} of the {part} inside"
    )


def _decided(finding: Finding) -> str:
    return finding.decided_by or "the findings name what to look at"


def _part(results: Results) -> str:
    return kind_named(results.kind).part
