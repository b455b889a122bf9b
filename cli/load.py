"""``standbook load``: what the stand's cell says of a load, and of what boils off it."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import PlanPath, now, say, say_wrapped, today
from standbook.cli.sheets import cell_of, free_place, write_new
from standbook.daq.errors import EXIT_FINDINGS, UsageError

if TYPE_CHECKING:
    from standbook.analysis.stand_sheets.load_record import FilledStand, Filling
    from standbook.daq.config.calibration import Calibration
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.run.run_folder import Run

KEYS = "Space takes a step once the cell stands, N leaves it out, Backspace strikes the last one out, Q ends."


def load(
    plan: PlanPath,
    night: Annotated[
        list[Path] | None,
        typer.Option(
            "--night", metavar="RUN", help="A recording of the unloaded cell, some times as long as the wait."
        ),
    ] = None,
    port: Annotated[
        list[str] | None, typer.Option("--port", metavar="DEVICE=PATH", help="Where a board is, if it is not found.")
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="The board is simulated: practice, and no evidence.")
    ] = False,
    journal: Annotated[
        Path | None, typer.Option("--journal", metavar="RUN", help="Compute this recording again.")
    ] = None,
) -> None:
    """Compare the load by the stand's cell with the weighed containers, which lead, and see what boils off.

    The cell is recorded from empty to filled, one key each; a wait after it, vented, shows a boil-off where the record
    of an unloaded night says how far the cell wanders by itself. Ends with 10 where cell and containers differ.

    Example: standbook load teasel-2/plans/HF-02.toml
    """
    from standbook.daq.config.campaign import read_campaign

    if journal is not None and (port or rehearsal):
        raise UsageError("--journal computes from a recording; give no ports with it")
    campaign = read_campaign(plan, today=today())
    of = filled_stand(campaign)
    again = journal is not None
    if journal is None:
        from standbook.cli.record import ports_of

        journal = _recorded(campaign, of.calibration, ports_of(port or []), rehearsal=rehearsal)
        if not _marked(journal):
            say("No step was taken. A record of the unloaded cell goes with a filling's:")
            say(f"--night {journal}")
            return
    found = say_load(campaign, of, journal, night or [], written=not again)
    if found.says != "agrees":
        raise typer.Exit(EXIT_FINDINGS)


def filled_stand(campaign: "Campaign") -> "FilledStand":
    """Return the stand that is filled; refuse one whose cell feels no load."""
    from standbook.analysis.stand_sheets.load_record import FilledStand, sign_of_load
    from standbook.daq.stand_sheets.pull_file import newest_pulls

    sign_of_load(campaign.stand)
    tag = cell_of(campaign)
    return FilledStand(
        plan=campaign.plan,
        stand=campaign.stand,
        calibration=campaign.calibrations[tag],
        pull=newest_pulls(campaign.folder, until=today()).get(tag),
    )


def _recorded(campaign: "Campaign", cell: "Calibration", ports: dict[str, str], *, rehearsal: bool) -> Path:
    from standbook.analysis.stand_sheets.load_record import load_steps
    from standbook.cli.guided import GuidedRecording, record_guided
    from standbook.daq.bench.live_level import LiveLevels
    from standbook.daq.bench.step_taking import StepTaking

    tag = cell.tag
    live = LiveLevels(campaign.stand, [tag], campaign.calibrations)
    order = GuidedRecording(
        name=f"{campaign.plan.test.number}_load",
        campaign=campaign.folder,
        stand=campaign.stand.of_devices(live.of[tag].devices),
        ports=ports,
        rehearsal=rehearsal,
        keys=KEYS,
    )
    return record_guided(order, live, lambda marks: StepTaking(load_steps(cell), live, marks, lambda _: ()))


def say_load(campaign: "Campaign", of: "FilledStand", journal: Path, nights: list[Path], *, written: bool) -> "Filling":
    """Work a recording out, say and write what comes of it."""
    from standbook.analysis.calibration.load_by_cell import night_record
    from standbook.analysis.stand_sheets.load_record import FILLED, WAITED, filling, sign_of_load
    from standbook.analysis.stand_sheets.load_text import load_text
    from standbook.daq.bench.recorded_levels import signal_of
    from standbook.daq.config.toml_document import parse_document
    from standbook.daq.run.run_folder import open_run
    from standbook.daq.stand_sheets.load_file import LOADS, LoadFile

    run, tag = open_run(journal), of.calibration.tag
    time, signal, origin = signal_of(run, tag)
    marks = _marks(run, origin)
    night = None
    if nights and {FILLED, WAITED} <= set(marks):
        records = []
        for folder in nights:
            when, seen, _ = signal_of(open_run(folder), tag)
            records.append((when, sign_of_load(of.stand) * of.calibration.si_reading(seen)))
        night = night_record(records, hold=marks[WAITED] - marks[FILLED])
    found = filling(of, time, signal, marks, night)
    say_wrapped(found.sentences)
    if written:
        at = now().astimezone()
        place = free_place(campaign.folder / LOADS, f"{at.date()}_{campaign.plan.test.number}")
        text = load_text(found, campaign.plan.test.number, at, run.folder.name, rehearsal=run.info.rehearsal)
        parse_document(text, LoadFile, str(place))  # what is written reads back, or is not written
        write_new(place, text)
        say(f"Load: {place}")
    return found


def _marked(journal: Path) -> bool:
    """Tell whether any step was taken in a recording."""
    from standbook.daq.run.run_folder import open_run

    return bool(_marks(open_run(journal), 0))


def _marks(run: "Run", origin: int) -> dict[str, float]:
    from standbook.daq.bench.step_taking import STEP_KEY

    return {m.text: (m.host_ns - origin) / 1e9 for m in run.record.marks if m.key == STEP_KEY and not m.struck}
