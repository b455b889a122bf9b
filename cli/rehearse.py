"""``standbook rehearse``: a made-up stand that streams over a pseudo-terminal."""

import signal
from pathlib import Path
from types import FrameType
from typing import Annotated

import typer

from cli.screen import PlanPath, say, say_all, today


def rehearse(
    plan: PlanPath,
    time_scale: Annotated[
        float, typer.Option("--time-scale", min=0.1, max=100.0, help="How many times faster than real time.")
    ] = 1.0,
    seed: Annotated[int | None, typer.Option("--seed", help="Draw other sensor and load errors.")] = None,
    weighings: Annotated[
        Path | None, typer.Option("--weighings", metavar="FILE", help="Write what the crew would weigh afterwards.")
    ] = None,
    link: Annotated[
        Path | None, typer.Option("--link", metavar="PATH", help="Make a link of this name to the port.")
    ] = None,
) -> None:
    """Play a plan on a made-up stand with a made-up truth; record it from a second terminal.

    The device never waits for its reader, as a real board would not. All that comes of it is a rehearsal.

    Example: standbook rehearse teasel-2/plans/WF-03.toml --time-scale 10
    """
    from analysis.scenario.story import rehearse as play_plan
    from daq.campaign import read_campaign
    from daq.rehearsal import RehearsalDevice

    campaign = read_campaign(plan, today=today())
    say(f"Computing the made-up {campaign.plan.test.kind} {campaign.plan.test.number} ...")
    rehearsal = play_plan(campaign, seed=seed)
    if weighings is not None:
        weighings.write_text(rehearsal.weighings_text(), encoding="utf-8")
    stopped: list[int] = []

    def note(number: int, frame: FrameType | None) -> None:
        stopped.append(number)

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, note)
    with RehearsalDevice(rehearsal.table, time_scale=time_scale, link=link) as device:
        say(f"REHEARSAL: {rehearsal.table.device} on {device.path}, at {time_scale:g} times real time.")
        say(f"In a second terminal: standbook record {plan} --rehearsal --port {rehearsal.table.device}={device.path}")
        played = device.play(stop=lambda: bool(stopped))
    say_all(played.sentences())
