"""``standbook carry``: carry CdA and exponent of a run to another plan, as lines to type."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import RunPath, say, say_all, today
from standbook.daq.errors import EXIT_FINDINGS, UsageError


def carry(
    run: RunPath,
    to: Annotated[Path, typer.Option("--to", metavar="PLAN", help="The plan to carry to; it is read, never written.")],
    viscosity: Annotated[
        list[str] | None,
        typer.Option(
            "--viscosity", metavar="TANK=MPAS", help="Viscosity of that plan's liquid in mPa*s, where it is a mixture."
        ),
    ] = None,
    exponent_reason: Annotated[
        str | None,
        typer.Option("--exponent-reason", metavar="TEXT", help="Why an exponent is carried in spite of a refusal."),
    ] = None,
) -> None:
    """Print the CdA of an analysed flow, and its exponent where that carries over, as lines for a plan.

    Edits no file. Exit code 10 when a CdA is refused.

    Example: standbook carry teasel-2/runs/2031-06-02_WF-04 --to teasel-2/plans/HF-02.toml
    """
    from standbook.analysis.campaign.carried_runs import carry as carry_run
    from standbook.analysis.campaign.carried_runs import read_analysed
    from standbook.daq.config.campaign import read_campaign

    if exponent_reason is not None and not exponent_reason.strip():
        raise UsageError("--exponent-reason is empty; it holds the reason, in words")
    campaign = read_campaign(to, today=today())
    source = read_analysed(run)
    found = carry_run(source, campaign, viscosities=_viscosities(viscosity or []), reason=exponent_reason)
    say(f"From {source.number}, {source.plan.test.kind}, analysis {source.results.revision}, to {to}:")
    for tank in found:
        say(f"{tank.tank} tank:")
        say_all(tank.remarks)
        if tank.lines:
            say(f'Lines for [[tank]] name = "{tank.tank}":')
            say_all(tank.lines)
    if any(tank.cda is None or tank.cda.carried is None for tank in found):
        raise typer.Exit(EXIT_FINDINGS)


def _viscosities(typed: list[str]) -> dict[str, float]:
    found = {}
    for text in typed:
        tank, _, number = text.partition("=")
        try:
            found[tank.strip()] = 1e-3 * float(number)
        except ValueError:
            raise UsageError(f'--viscosity "{text}": write TANK=NUMBER in mPa*s, such as fuel=2.9') from None
        if not found[tank.strip()] > 0.0:
            raise UsageError(f'--viscosity "{text}": must be greater than zero')
    return found
