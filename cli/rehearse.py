"""``standbook rehearse``: a made-up stand that streams over a pseudo-terminal."""

import signal
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from cli.screen import PlanPath, say, say_all, today
from daq.errors import ConfigError, RecordError


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
    number = campaign.plan.test.number
    say(f"Computing the made-up {campaign.plan.test.kind} {number} ...")
    made_up = make_up(campaign, draw_for(number, seed))
    if weighings is not None:
        try:
            weighings.write_text(weighings_text(made_up.weighings), encoding="utf-8")
        except OSError as error:
            raise RecordError(f"--weighings {weighings}: cannot be written: {error.strerror}") from None
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


@contextmanager
def _linked(link: Path | None, port: str) -> Iterator[None]:
    """Have a link to the port while the device plays; one that an earlier device left behind is replaced."""
    if link is None:
        yield
        return
    if link.is_symlink() and not link.exists():
        link.unlink()
    try:
        link.symlink_to(port)
    except OSError as error:
        raise ConfigError(f"--link {link}: cannot be made: {error.strerror}; name another path") from None
    try:
        yield
    finally:
        link.unlink(missing_ok=True)


@contextmanager
def _stopping() -> Iterator[threading.Event]:
    stop = threading.Event()
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, lambda *_: stop.set())
    yield stop
