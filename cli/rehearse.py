"""``standbook rehearse``: a made-up stand that streams over a pseudo-terminal."""

import signal
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from cli.screen import PlanPath, say, say_all, today
from daq.errors import ConfigError


def rehearse(
    plan: PlanPath,
    time_scale: Annotated[
        float, typer.Option("--time-scale", min=0.1, max=100.0, help="How many times faster than real time.")
    ] = 1.0,
    seed: Annotated[
        int | None, typer.Option("--seed", help="Draw loads and sensor errors from this seed, not the story's.")
    ] = None,
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
    from analysis.scenario.story import draw_for
    from analysis.scenario.story import rehearse as make_up
    from daq.campaign import read_campaign
    from daq.rehearsal import RING_BYTES, RehearsalDevice

    campaign = read_campaign(plan, today=today())
    _check_place("--link", link)
    _check_place("--weighings", weighings)
    number = campaign.plan.test.number
    say(f"Computing the made-up {campaign.plan.test.kind} {number} ...")
    made_up = make_up(campaign, draw_for(number, seed))
    if weighings is not None:
        weighings.write_text(weighings_text(made_up.weighings), encoding="utf-8")
    table = made_up.table
    # The ring of a faster device holds as much of its own time.
    ring = round(RING_BYTES * max(1.0, time_scale))
    with (
        RehearsalDevice(table, time_scale=time_scale, ring_bytes=ring) as device,
        _stopping() as stop,
        _linked(link, device.port),
    ):
        say(f"REHEARSAL: {table.device} on {device.port}, {table.seconds:.0f} s at {time_scale:g} times real time.")
        say(f"In a second terminal: standbook record {plan} --rehearsal --port {table.device}={device.port}")
        sent = device.run(stop)
    say_all(sent.sentences())


def weighings_text(weighings: Mapping[str, Mapping[str, str]]) -> str:
    """Write weighings as the crew would type them."""
    tables = (
        f'\n[[weighing]]\ntank = "{tank}"\n' + "".join(f'{key} = "{value}"\n' for key, value in values.items())
        for tank, values in weighings.items()
    )
    return "# made up by a rehearsal\n" + 'by = "DAQ"\n' + "".join(tables)


def _check_place(option: str, path: Path | None) -> None:
    """Refuse a path before the physics is computed; a link that leads nowhere is in nobody's way."""
    if path is not None and path.exists():
        raise ConfigError(f"{option} {path}: exists already; name another path, or remove it")
    if path is not None and not path.parent.is_dir():
        raise ConfigError(f"{option} {path}: there is no folder {path.parent}; make it, or name another path")


@contextmanager
def _linked(link: Path | None, port: str) -> Iterator[None]:
    """Have a link to the port while the device plays; one that an earlier device left behind is replaced."""
    if link is None:
        yield
        return
    link.unlink(missing_ok=True)
    link.symlink_to(port)
    try:
        yield
    finally:
        link.unlink(missing_ok=True)


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    stop = threading.Event()
    numbers = (signal.SIGINT, signal.SIGTERM)
    before = {number: signal.signal(number, lambda *_: stop.set()) for number in numbers}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
