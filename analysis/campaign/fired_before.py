"""Choose the firings of a campaign that a next load may rest on, and take each against the model at its own load."""

from collections.abc import Sequence
from pathlib import Path

from standbook.analysis.campaign.carried_runs import Analysed, read_analysed
from standbook.analysis.campaign.configuration import changed, configured
from standbook.analysis.campaign.next_load import FiredOnce, nominal_impulses
from standbook.analysis.campaign.run_table import campaign_runs
from standbook.daq.config.campaign import RUNS, Campaign
from standbook.daq.errors import DataError, RecordError
from standbook.daq.kinds.registry import kind_named
from standbook.daq.run.run_folder import read_run_files


def fired_before(campaign: Campaign, named: Sequence[Path] = (), *, rehearsals: bool = False) -> tuple[FiredOnce, ...]:
    """Return the firings of the plan's own hardware, oldest first.

    Parameters
    ----------
    campaign : Campaign
        With the next firing's plan.
    named : sequence of Path
        Only these runs; all of the campaign when none is named.
    rehearsals : bool
        Rehearsals instead of tests: never both.

    Raises
    ------
    RecordError
        A named run cannot be read or is not analysed.
    DataError
        A named run cannot be started from, with the reason; or there is none that can.
    """
    if named:
        firings = [_fired(campaign, read_analysed(folder)) for folder in named]
    else:
        firings = [
            _fired(campaign, read_analysed(campaign.folder / RUNS / row.folder))
            for row in campaign_runs(campaign.folder)
            if row.rehearsal is rehearsals and row.impulse is not None and kind_named(row.kind).fires
        ]
    good = [firing for firing, _ in firings if firing is not None]
    refused = [why for firing, why in firings if firing is None]
    if (named and refused) or not good:
        raise DataError("; ".join(refused) or "no firing of this configuration to start from: fire it once, or --from")
    return tuple(good)


def _fired(campaign: Campaign, source: Analysed) -> tuple[FiredOnce | None, str]:
    """Take a firing against the model; without one, say why it cannot be started from."""
    site, vacuum = source.results.impulse, source.results.impulse_vacuum
    why = _refusal(campaign, source)
    if why or site is None or vacuum is None:
        return None, f"{source.folder.name}: {why or 'has no impulse'}"
    return (
        FiredOnce(
            number=source.number,
            measured={"site": site.value, "vacuum": vacuum.value},
            u={"site": site.u / site.value, "vacuum": vacuum.u / vacuum.value},
            predicted=nominal_impulses(source.plan),
            allowance=max(site.allowance + site.unseen, vacuum.allowance + vacuum.unseen),
        ),
        "",
    )


def _refusal(campaign: Campaign, source: Analysed) -> str:
    """Say why a firing of this campaign bounds no next load; empty where it does."""
    impulse = source.results.impulse
    if impulse is not None and impulse.lower_bound_only:
        return "only a lower bound of its impulse is known"
    serious = next((f.code for f in source.results.findings if f.severity == "serious"), "")
    if serious:
        return f"has a serious finding, {serious}"
    try:
        files = read_run_files(source.folder)
    except RecordError as error:
        return str(error)
    was = configured(files.plan, files.stand, files.calibrations).hardware
    planned = configured(campaign.plan, campaign.stand, campaign.calibrations).hardware
    other = changed(was, planned)
    return f"is of another configuration: {', '.join(other)} differ" if other else ""
