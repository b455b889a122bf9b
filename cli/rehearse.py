"""``standbook rehearse``: a simulated stand that streams over a pseudo-terminal, with faults when asked for."""

from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.played import check_place, device_of, links_of, play_devices, plugged_in, stopping
from standbook.cli.screen import PlanPath, is_sheet, say, say_all, today
from standbook.daq.errors import ConfigError, UsageError

if TYPE_CHECKING:
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.config.plan import LineEdgeName
    from standbook.daq.rehearsal.script import Table
    from standbook.daq.rehearsal.sensor_faults import Fault


FAULT_HELP = (
    "What goes wrong; may be given again and again. Seconds count from T-0's edge where the plan has one. Names: "
    "dropped-bytes, flipped-bits, doubled-chunks, reordered-chunks, brown-out, rollover, clock-off, unplug, stall, "
    "noise-first, half-frame-first, no-hello, layout-change, frozen-line=TAG, clip=TAG, open-wire=TAG, "
    "saturation=TAG, spike=TAG, supply-sag=TAG."
)


FIRST_STEP = 60.0  # s of a check: the keys are read meanwhile


def _show_faults(value: bool) -> None:
    if value:
        from standbook.daq.rehearsal.fault_catalogue import names_in_words
        from standbook.daq.rehearsal.played_checks import stand_faults_in_words

        say_all(names_in_words())
        say("Of a stand, with --check:")
        say_all(stand_faults_in_words())
        raise typer.Exit


LinkPath = Annotated[
    Path | None,
    typer.Option("--link", metavar="PATH", help="Make a link to the port; with several boards PATH-DEVICE each."),
]
WeighingsFile = Annotated[
    Path | None, typer.Option("--weighings", metavar="FILE", help="Write what the crew would weigh afterwards.")
]
FaultNames = Annotated[
    list[str] | None, typer.Option("--fault", metavar="NAME[=TAG][@SECONDS][:AMOUNT]", help=FAULT_HELP)
]


def rehearse(
    plan: PlanPath,
    time_scale: Annotated[
        float, typer.Option("--time-scale", min=0.1, max=100.0, help="How many times faster than real time.")
    ] = 1.0,
    seed: Annotated[
        int | None, typer.Option("--seed", help="Draw loads and sensor errors from this seed, not the story's.")
    ] = None,
    weighings: WeighingsFile = None,
    link: LinkPath = None,
    fault: FaultNames = None,
    check: Annotated[
        bool, typer.Option("--check", help="Play the steps of standbook check; --fault names a fault of the stand.")
    ] = False,
    tap: Annotated[bool, typer.Option("--tap", help="Play the blows of standbook tap.")] = False,
    load: Annotated[bool, typer.Option("--load", help="Play a filling for standbook load.")] = False,
    night: Annotated[bool, typer.Option("--night", help="Play an unloaded cell, for its --night.")] = False,
    faults: Annotated[
        bool, typer.Option("--faults", callback=_show_faults, is_eager=True, help="List the faults in words, and end.")
    ] = False,
) -> None:
    """Play a plan on a simulated stand with a truth of its own; record it from a second terminal.

    A readings sheet in place of the plan plays its levels, the plan of a pressure hold the hold; --check, --tap, --load
    and --night play what the commands of those names record.
    The device never waits for its reader, as a real board would not. All that comes of it is a rehearsal.

    Example: standbook rehearse teasel-2/plans/HF-02.toml --link teasel.port --fault brown-out@0.15 --fault unplug@5:2
    """
    if is_sheet(plan):
        if fault or weighings is not None:
            raise UsageError("levels are played as they are set: --fault and --weighings are for plans")
        _play_levels(plan, seed, link, time_scale)
        return
    chosen = [name for name, given in (("check", check), ("tap", tap), ("load", load), ("night", night)) if given]
    if chosen or _is_hold(plan):
        if weighings is not None or len(fault or ()) > 1 or len(chosen) > 1:
            raise UsageError(
                "one of --check, --tap, --load, --night or a hold is played, with one --fault of its own at most, and "
                "weighs nothing"
            )
        _play_chosen(plan, (*chosen, "hold")[0], seed, link, time_scale, (fault or [""])[0])
        return
    _rehearse_plan(
        plan, _faults_asked(fault or (), link), seed=seed, weighings=weighings, link=link, time_scale=time_scale
    )


def _is_hold(plan: Path) -> bool:
    """Tell whether a plan leaves its tanks shut."""
    from standbook.daq.config.plan import read_plan

    return read_plan(plan).kind.holds


def _play_chosen(plan: Path, chosen: str, seed: int | None, link: Path | None, time_scale: float, fault: str) -> None:
    """Play one thing that a crew does to the stand besides flows and firings."""
    if chosen == "check":
        _play_check(plan, seed, link, time_scale, fault)
        return
    from standbook.cli.rehearse_work import hold_work, load_work, night_work, tap_work

    if chosen != "hold" and fault:
        raise UsageError(f"--fault {fault}: --{chosen} plays no fault")
    works = {"tap": tap_work, "load": load_work, "night": night_work}
    work = works[chosen](plan, seed) if chosen in works else hold_work(plan, seed, fault)
    _play_tables(work.tables, work.what, work.steps, work.command, link, time_scale)


def _rehearse_plan(
    plan: Path,
    asked: "Sequence[Fault]",
    *,
    seed: int | None,
    weighings: Path | None,
    link: Path | None,
    time_scale: float,
) -> None:
    """Simulate a plan and play every board of its stand."""
    from standbook.analysis.simulation.story import draw_for
    from standbook.analysis.simulation.story import rehearse as make_up
    from standbook.daq.config.campaign import read_campaign
    from standbook.daq.storage.atomic_write import write_atomic

    campaign = read_campaign(plan, today=today())
    played = _boards_played(campaign)
    links = links_of(link, played)
    for option, path in (*(("--link", path) for path in links.values()), ("--weighings", weighings)):
        check_place(option, path)
    number = campaign.plan.test.number
    say(f"Computing the simulated {campaign.plan.test.kind} {number} ...")
    made_up = make_up(campaign, draw_for(number, seed))
    tables = [table for name, table in made_up.tables.items() if name in played]
    if weighings is not None:
        write_atomic(weighings, weighings_text(made_up.weighings).encode())
    _play(plan, campaign, tables, asked, links, time_scale)


def _play_check(plan: Path, seed: int | None, link: Path | None, time_scale: float, fault: str) -> None:
    """Play the steps of a check, each held for some seconds."""
    from standbook.cli.rehearse_check import check_tables
    from standbook.daq.rehearsal.played_levels import HOLD

    tables, begins = check_tables(plan, seed or 0, fault, first=FIRST_STEP)
    _play_tables(
        tables,
        f"a check, its first step held for {FIRST_STEP:g} s, the others for {HOLD:g} s",
        begins,
        f"standbook check {plan} --rehearsal",
        link,
        time_scale,
    )


def _play_levels(sheet: Path, seed: int | None, link: Path | None, time_scale: float) -> None:
    """Play the levels of a readings sheet, each held for some seconds."""
    from standbook.analysis.stand_sheets.pull_sheet import is_pull_sheet
    from standbook.cli.rehearse_levels import levels_table
    from standbook.daq.rehearsal.played_levels import HOLD

    table = levels_table(sheet, seed or 0)
    command = f"standbook {'pull' if is_pull_sheet(sheet) else 'calibrate'} {sheet} --rehearsal"
    _play_tables((table,), f"the levels of a sheet, each held for {HOLD:g} s", (), command, link, time_scale)


def _play_tables(
    tables: "Sequence[Table]",
    what: str,
    begins: Sequence[tuple[float, str]],
    command: str,
    link: Path | None,
    time_scale: float,
) -> None:
    """Play boards that a person at another terminal records, say what is to be done when, and what left them.

    ``begins`` are what is to be done, each with the second after the first row from which it is played.
    """
    links = links_of(link, [table.device for table in tables])
    for path in links.values():
        check_place("--link", path)
    with ExitStack() as stack:
        devices = plugged_in(stack, tables, time_scale, links)
        named = " ".join(
            f"--port {table.device}={links.get(table.device) or device.port}"
            for table, device in zip(tables, devices, strict=True)
        )
        seconds = max(table.seconds for table in tables)
        said = f"{seconds:.0f} s" if time_scale == 1.0 else f"{seconds:.0f} s, at {time_scale:g} times real time"
        say(f"REHEARSAL: {what}; {said}, from when its port is opened.")
        say_all(f"from {at:4.0f} s  {words}" for at, words in begins)
        say(f"In a second terminal: {command} {named}")
        stop = stack.enter_context(stopping())
        sent = play_devices(devices, stop, [(at / time_scale, words) for at, words in begins])
    say_all(line for one in sent for line in one.sentences())


def _play(
    plan: Path,
    campaign: "Campaign",
    tables: "list[Table]",
    asked: "Sequence[Fault]",
    links: dict[str, Path],
    time_scale: float,
) -> None:
    """Play every board of the stand at once, each on a port of its own, and say what left it."""
    from standbook.daq.rehearsal.fault_catalogue import placed, sentences

    # What happens to a board happens to the one that times T-0; a sensor's fault to the board that reads it.
    first = next((table for table in tables if _zero_of(table, campaign.plan.test.t_zero_edge) is not None), tables[0])
    zero = _zero_of(first, campaign.plan.test.t_zero_edge)
    wrong = placed(asked, zero or 0.0)
    board_of = {item.tag: item.device for item in campaign.stand.input}
    say_all(
        f"{device.name} prints text lines, which a rehearsal does not play; plug it in, or leave it out of stand.toml"
        for device in campaign.stand.device
        if device.format != "wire 1"
    )
    with ExitStack() as stack:
        devices, ports = [], []
        for table in tables:
            own = [f for f in wrong if board_of.get(getattr(f, "tag", ""), first.device) == table.device]
            link = links.get(table.device)
            device = stack.enter_context(device_of(table, own, campaign.stand.input, link, time_scale))
            devices.append(device)
            ports.append(f"--port {table.device}={link or device.port}")
            seconds = device.table.seconds
            say(f"REHEARSAL: {table.device} on {device.port}, {seconds:.0f} s at {time_scale:g} times real time.")
        stop = stack.enter_context(stopping())
        say_all(sentences(wrong, zero))
        say(f"In a second terminal: standbook record {plan} --rehearsal {' '.join(ports)}")
        sent = play_devices(devices, stop)
    for device, what in zip(devices, sent, strict=True):
        say_all(what.sentences() if len(devices) == 1 else (f"{device.table.device}: {s}" for s in what.sentences()))


def weighings_text(weighings: Mapping[str, Mapping[str, str]]) -> str:
    """Write weighings as the crew would type them."""
    tables = (
        f'\n[[weighing]]\ntank = "{tank}"\n' + "".join(f'{key} = "{value}"\n' for key, value in values.items())
        for tank, values in weighings.items()
    )
    return "# simulated by a rehearsal\n" + 'by = "DAQ"\n' + "".join(tables)


def _boards_played(campaign: "Campaign") -> list[str]:
    """Name the boards that a rehearsal can play."""
    played = [device.name for device in campaign.stand.device if device.format == "wire 1"]
    if not played:
        raise ConfigError(
            f"{campaign.plan_path}: no board of the stand speaks wire 1, and a rehearsal plays no text lines"
        )
    return played


def _faults_asked(texts: Sequence[str], link: Path | None) -> "list[Fault]":
    """Read the faults; a port that comes back under another name needs a link that follows it."""
    from standbook.daq.rehearsal.fault_catalogue import Unplug, parse_fault

    asked = [parse_fault(text) for text in texts]
    if link is None and any(isinstance(each, Unplug) for each in asked):
        raise UsageError("--fault unplug: the port comes back under another name; give a --link that follows it")
    return asked


def _zero_of(table: "Table", edge: "LineEdgeName | None") -> float | None:
    """Return where T-0's edge lies after the first row, if the table has it. [s]."""
    numbers = {line.name: line.line for line in table.lines}
    if edge is None or edge.device != table.device or edge.line not in numbers:
        return None
    ticks = [e.ticks for e in table.edges if e.line == numbers[edge.line] and bool(e.level) is edge.rising]
    return min(ticks) / table.tick_hz if ticks else None
