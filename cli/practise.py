"""Practise what a crew does to its stand, nobody at the keys: the sheets that the demo's campaign comes with."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from standbook.cli.screen import now, say, today

if TYPE_CHECKING:
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.rehearsal.script import Table

ADDED = "10.00 +/- 0.01 kg"
REFERENCE_U = 0.002  # of the reference cell in a pull, standard
PULLED = 2  # days before
TAPS = 6  # with each mass: enough to show it, and small to keep
LATE = 2.0  # s before the end of a step, at which its key counts as pressed


def practise_check(campaign: "Campaign", time_scale: float) -> None:
    """Record the steps of a check, and write the sheet."""
    from standbook.cli.check import checked_stand, say_checks
    from standbook.cli.rehearse_check import check_tables, typed_at
    from standbook.daq.rehearsal.played_levels import HOLD

    of, steps = checked_stand(campaign, rehearsal=True)
    tables, begins = check_tables(campaign.plan_path, 0, "")
    marks = []
    for step, (begin, _) in zip(steps, begins, strict=True):
        marks.append((begin + HOLD - LATE, step.words(typed_at(campaign, step, "") or step.value)))
    say_checks(campaign, of, steps, _recorded(campaign, tables, marks, "check", time_scale), written=True)


def practise_taps(campaign: "Campaign", time_scale: float) -> None:
    """Record a tap test with nothing and with ten kilograms added, fit it, and write its file."""
    from standbook.analysis.simulation.at_rest.stand_work import BOLTING
    from standbook.analysis.stand_sheets.tap_record import state_name
    from standbook.cli.rehearse_work import tap_work
    from standbook.cli.sheets import cell_of
    from standbook.cli.tap import BOLTED, say_taps
    from standbook.daq.quantity import parse_quantity

    mass = parse_quantity(ADDED, "mass")
    work = tap_work(campaign.plan_path, None, taps=TAPS)
    (_, _), (first, _), (_, _), (second, _) = work.steps
    marks = [
        (first, state_name(0.0)),
        (first + 0.75 * BOLTING, f"{BOLTED} {mass.value:g} kg"),
        (second, state_name(mass.value)),
    ]
    journal = _recorded(campaign, work.tables, marks, "taps", time_scale)
    masses = [(0.0, 0.0), (mass.value, mass.u)]
    say_taps(campaign, cell_of(campaign), masses, "full, water", journal, written=True)


def practise_load(campaign: "Campaign", time_scale: float) -> None:
    """Record a filling, and hold it against the containers."""
    from standbook.analysis.stand_sheets.load_record import WAITED
    from standbook.cli.load import filled_stand, say_load
    from standbook.cli.rehearse_work import load_work

    work = load_work(campaign.plan_path, None, wait=0.0)
    marks = [(at - LATE, name) for name, at in work.marks.items() if name != WAITED]
    journal = _recorded(campaign, work.tables, marks, "load", time_scale)
    say_load(campaign, filled_stand(campaign), journal, [], written=True)


def write_pull(campaign: "Campaign") -> None:
    """Write the sheet of a pull as a crew would have typed it two days ago, and fit it."""
    import datetime as dt

    import numpy as np

    from standbook.analysis.calibration.readings_sheet import FOLDER
    from standbook.analysis.simulation.at_rest.pulled_cell import pulled_signals
    from standbook.analysis.simulation.story import draw_for
    from standbook.cli.pull import fit_pull_sheet
    from standbook.cli.sheets import cell_of, write_new

    tag = cell_of(campaign)
    draw, unit = draw_for(campaign.plan.test.number), campaign.calibrations[tag].signal_unit
    forces = [400.0 * step for step in range(6)]
    ways = [(force, "up") for force in forces] + [(force, "down") for force in forces[-2::-1]]
    lines = (0.0, 31.0)
    off = 1.0 + REFERENCE_U * draw.normal("reference", "pull")  # the true force is not quite what the reference says
    points = [(off * force, 1e5 * line) for line in lines for force, _ in ways]
    signals = np.split(pulled_signals(campaign, draw, tag, points), len(lines))
    runs = []
    for number, (line, read) in enumerate(zip(lines, signals, strict=True)):
        rows = "".join(
            f'  ["{force:g} N", "{way}", "{9 + number:02d}:{2 * place:02d}:00", "{signal:.7f} {unit}"],\n'
            for place, ((force, way), signal) in enumerate(zip(ways, read.tolist(), strict=True))
        )
        runs.append(f'\n[[run]]\nline = "{line:g} bar(g)"\nreadings = [\n{rows}]\n')
    sheet = campaign.folder / FOLDER / f"{tag}_pull_{today() - dt.timedelta(days=PULLED)}.toml"
    serial = campaign.calibrations[tag].sensor_serial
    head = (
        f"# A pull against a reference cell in the line of thrust, simulated.\n"
        f'tag = "{tag}"\nby = "DAQ"\nsensor = {{ serial = "{serial}", signal_unit = "{unit}" }}\n'
        'reference = { what = "reference cell", serial = "RC-3", certificate_u = "0.2 %" }\n'
        'angle = "0.5 deg"   # between pull and thrust line, as an inclinometer leaves it open\n'
    )
    write_new(sheet, head + "".join(runs))
    fit_pull_sheet(sheet, campaign.folder)


def _recorded(
    campaign: "Campaign", tables: "Sequence[Table]", marks: Sequence[tuple[float, str]], name: str, time_scale: float
) -> Path:
    """Play boards and record them without a plan; mark instants of theirs as a person's keys would. Seal it."""
    from standbook.cli.played import playing
    from standbook.cli.record import first_signal_stops, seal_and_say
    from standbook.daq.bench.live_level import LiveLevels
    from standbook.daq.bench.unplanned_run import create_bench_run
    from standbook.daq.recording.run_recording import RecordingOrder, record_run_into
    from standbook.daq.software import software

    boards = [table.device for table in tables]
    tags = [item.tag for item in campaign.stand.input if item.device in boards and item.tag in campaign.calibrations]
    live = LiveLevels(campaign.stand, tags[:1], campaign.calibrations)
    title = f"{campaign.plan.test.number}_{name}"
    folder = create_bench_run(campaign.folder, title, boards, rehearsal=True, now=now(), software=software())
    with playing(tables, time_scale) as ports, first_signal_stops() as stopped:
        order = RecordingOrder(
            number=folder.name,
            stand=campaign.stand.of_devices(boards),
            ports=ports,
            folder=folder,
            rehearsal=True,
            seconds=None,
        )
        record_run_into(order, stopped=lambda: bool(stopped), report=_nothing, taken=live.take, tell=say)
    _mark(folder, live.newest_ns, marks, tables, time_scale)
    seal_and_say(folder, marks=False)
    return folder


def _mark(
    folder: Path,
    newest_ns: int | None,
    marks: Sequence[tuple[float, str]],
    tables: "Sequence[Table]",
    time_scale: float,
) -> None:
    """Mark instants of the boards, seconds after their first row; ``newest_ns`` is when their last row was taken."""
    import dataclasses

    from standbook.cli.keys import MomentOf
    from standbook.daq.bench.step_taking import STEP_KEY
    from standbook.daq.errors import DataError
    from standbook.daq.host_clock import HostClocks, HostTime
    from standbook.daq.run.marks import MARKS_FILE, MarkLog

    if newest_ns is None:
        raise DataError(f"{folder}: no row came")
    clocks = HostClocks()
    moment = MomentOf(clocks)
    log, at_the_end = MarkLog(folder / MARKS_FILE, moment), max(table.seconds for table in tables)
    for at, text in marks:
        told = clocks.now()
        back = told.monotonic_ns - newest_ns + round((at_the_end - at) / time_scale * 1e9)
        moment.when = HostTime(*(one - back for one in dataclasses.astuple(told)))
        log.drop(text, key=STEP_KEY)


def _nothing(_: object) -> None:
    """Show nothing while it plays."""
