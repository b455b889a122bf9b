"""Analyse a run again, in memory, and hold the results that it keeps against what comes out."""

from standbook.analysis.data_frames import results_table
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.opened_run import Run

DIGITS = 1e-9  # relative: results are the same to nine digits on any computer
NAMED_AT_MOST = 3


def differences(run: Run) -> tuple[int, list[str]]:
    """Return how many numbers the newest analysis keeps, and those that come out otherwise, with both values."""
    kept, again = (
        {name: (value, u) for name, value, u, _ in results_table(results).reset_index().itertuples(index=False)}
        for results in (run.results, analyse(run.dataset, revision=run.results.revision).results)
    )
    said = [f"{name}: no longer found" for name in kept if name not in again]
    for name, numbers in kept.items():
        pairs = zip(("", "u of "), numbers, again.get(name, numbers), strict=True)
        odd = [(of, one, other) for of, one, other in pairs if abs(one - other) > DIGITS * abs(one)]
        said += [f"{of}{name}: {one!r} kept, {other!r} again" for of, one, other in odd[:1]]
    more = len(said) - NAMED_AT_MOST
    return len(kept), said[:NAMED_AT_MOST] + ([f"and {more} more"] if more > 0 else [])
