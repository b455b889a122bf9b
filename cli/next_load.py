"""``standbook next-load``: say the greatest load of the next firing whose bound stays inside the class."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, PlanPath, say, say_all, say_json, today

if TYPE_CHECKING:
    from standbook.analysis.campaign.next_load import FiredOnce, NextLoad

PLACES = {
    "site": "the limit at site ambient pressure",
    "vacuum": "the limit referred to vacuum",
    "tank": "a tank, full",
    "lift-off": "thrust over weight at lift-off",
}


def next_load(
    plan: PlanPath,
    source: Annotated[
        list[Path] | None, typer.Option("--from", metavar="RUN", help="Start from this firing alone; may be repeated.")
    ] = None,
    rehearsals: Annotated[
        bool, typer.Option("--rehearsals", help="Start from rehearsals, to practise; tests are left out then.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Print the greatest load of both liquids for a plan, split as planned, and what stops it there.

    It rests on the firings of the plan's own hardware, with a run-to-run scatter assumed until they show theirs. It
    bounds a class and releases nothing; the plan is read, never written.

    Example: standbook next-load teasel-2/plans/HF-03.toml
    """
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.campaign.fired_before import fired_before
    from standbook.analysis.campaign.next_load import next_load as solve
    from standbook.daq.config.campaign import read_campaign

    campaign = read_campaign(plan, today=today())
    firings = fired_before(campaign, tuple(source or ()), rehearsals=rehearsals)
    lift = predict_in_campaign(campaign).lift_off if campaign.plan.lift_off is not None else None
    load = sum(tank.liquid_load.value for tank in campaign.plan.tank)
    share = 1.0 + (lift.greatest_mass - lift.mass) / load if lift is not None else None
    found = solve(campaign.plan, firings, lift_share=share)
    if as_json:
        say_json(_plain(found, firings))
    else:
        _say(found, firings, rehearsals=rehearsals)


def _say(found: "NextLoad", firings: "tuple[FiredOnce, ...]", *, rehearsals: bool) -> None:
    tanks = ", ".join(f"{name} {mass:.2f}" for name, mass in found.by_tank.items())
    mark = "REHEARSAL. " if rehearsals else ""
    say(f"{mark}{found.load:.2f} kg ({tanks}); binds: {PLACES[found.binds]}.")
    runs = ", ".join(firing.number for firing in firings)
    one = "one firing only" if len(firings) == 1 else f"{len(firings)} firings"
    scatter = found.scatter
    say_all(
        [
            f"From {runs}: {one}; a run-to-run scatter of {100.0 * scatter.scatter:.2g} % taken, 1.5 % assumed before "
            f"any was measured ({scatter.dof:g} degrees of freedom).",
            *(
                f"{place}: one-sided 95 % bound of the next firing {bound:,.0f} N·s, limit {found.limit:,.0f}."
                for place, bound in found.bound.items()
            ),
            f"By the newest run alone, without scatter: {found.alone:.2f} kg. Planned: {found.planned:.2f} kg.",
            "Loaded and built alike; not shown for a changed part. This bounds a class, it releases nothing.",
        ]
    )


def _plain(found: "NextLoad", firings: "tuple[FiredOnce, ...]") -> dict[str, object]:
    return {
        "load [kg]": found.load,
        "by_tank [kg]": dict(found.by_tank),
        "binds": found.binds,
        "planned [kg]": found.planned,
        "alone [kg]": found.alone,
        "bound [N*s]": dict(found.bound),
        "limit [N*s]": found.limit,
        "scatter": found.scatter.scatter,
        "degrees_of_freedom": found.scatter.dof,
        "firings": [firing.number for firing in firings],
    }
