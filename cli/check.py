"""``standbook check``: check the stand in place before a run, step by step, each outcome in one sentence."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import PlanPath, now, say, say_wrapped, today
from standbook.cli.sheets import free_place, write_new
from standbook.daq.errors import EXIT_FINDINGS, DataError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from standbook.analysis.stand_sheets.check_outcomes import CheckedStand, StandCheck
    from standbook.daq.bench.step_taking import Step, TakenStep
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.run.run_folder import Run

KEYS = (
    "Space takes a step once everything stands. Type what the gauge shows where it is asked for, an angle with its u "
    "behind a slash. N leaves a step out, A takes one although nothing moved, Backspace strikes the last one out, Q "
    "ends."
)


def check(
    plan: PlanPath,
    port: Annotated[
        list[str] | None, typer.Option("--port", metavar="DEVICE=PATH", help="Where a board is, if it is not found.")
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="The boards are simulated: practice, and no evidence.")
    ] = False,
    journal: Annotated[
        Path | None, typer.Option("--journal", metavar="RUN", help="Compute the checks of this recording again.")
    ] = None,
) -> None:
    """Check every calibrated pressure and load cell of a plan: zeros, absolute or gauge, unit, swap, sign, supply.

    The boards are recorded while the crew vents, pressurises each tank, pushes, hangs a weight; one key a step. Each
    check agrees, differs, or cannot tell, and says what would surely be seen. The outcomes stand in checks/. Ends with
    10 where anything differs or cannot be told.

    Example: standbook check teasel-2/plans/HF-02.toml
    """
    from standbook.daq.config.campaign import read_campaign

    if journal is not None and (port or rehearsal):
        raise UsageError("--journal computes from a recording; give no ports with it")
    campaign = read_campaign(plan, today=today())
    of, steps = checked_stand(campaign, rehearsal=rehearsal)
    again = journal is not None
    if journal is None:
        from standbook.cli.record import ports_of

        journal = _recorded(campaign, of, steps, ports_of(port or []), rehearsal=rehearsal)
    checks = say_checks(campaign, of, steps, journal, written=not again)
    if not checks or any(one.check.outcome != "agrees" for one in checks):
        raise typer.Exit(EXIT_FINDINGS)


def checked_stand(campaign: "Campaign", *, rehearsal: bool) -> "tuple[CheckedStand, tuple[Step, ...]]":
    """Return what a stand is checked with, and the steps; earlier practised sheets count in practice only."""
    from standbook.analysis.stand_sheets.check_outcomes import CheckedStand, EarlierValues
    from standbook.analysis.stand_sheets.check_steps import check_steps
    from standbook.daq.stand_sheets.check_file import all_checks
    from standbook.daq.stand_sheets.pull_file import newest_pulls

    sheets = [sheet for sheet in all_checks(campaign.folder) if not sheet.rehearsal or rehearsal]
    of = CheckedStand(
        plan=campaign.plan,
        stand=campaign.stand,
        calibrations=campaign.calibrations,
        earlier=tuple(EarlierValues(on=sheet.at.date(), values=sheet.values) for sheet in sheets),
        pulls=newest_pulls(campaign.folder, until=today()),
    )
    return of, check_steps(campaign.plan, campaign.stand, campaign.calibrations)


def _recorded(
    campaign: "Campaign", of: "CheckedStand", steps: "tuple[Step, ...]", ports: dict[str, str], *, rehearsal: bool
) -> Path:
    """Lead the crew through the steps and return the recording."""
    from standbook.analysis.stand_sheets.check_outcomes import outcomes
    from standbook.cli.guided import GuidedRecording, record_guided
    from standbook.daq.bench.live_level import LiveLevels
    from standbook.daq.bench.step_taking import StepTaking

    tags = sorted({tag for step in steps for tag in step.tags})
    edge = next((step.edge for step in steps if step.edge is not None), None)
    live = LiveLevels(campaign.stand, tags, campaign.calibrations, edge)
    timing = set() if edge is None else {edge.device}
    devices = sorted(timing.union(*(level.devices for level in live.of.values())))
    told: set[tuple[str, str]] = set()

    def judge(taken: "tuple[TakenStep, ...]") -> tuple[str, ...]:
        found = outcomes(of, taken)
        new = [one for one in found if (one.tag, one.kind) not in told]
        told.clear()
        told.update((one.tag, one.kind) for one in found)
        return _indicated(new)

    order = GuidedRecording(
        name=f"{campaign.plan.test.number}_check",
        campaign=campaign.folder,
        stand=campaign.stand.of_devices(devices),
        ports=ports,
        rehearsal=rehearsal,
        keys=KEYS,
    )
    return record_guided(order, live, lambda marks: StepTaking(steps, live, marks, judge))


def _indicated(found: "Sequence[StandCheck]") -> tuple[str, ...]:
    """Say what the newest rows show: names where it agrees, since its numbers come from the sealed recording."""
    agree: dict[str, list[str]] = {}
    for one in found:
        if one.check.outcome == "agrees":
            agree.setdefault(one.kind, []).append(one.tag)
    differ = [_line(one).partition("; surely seen")[0] for one in found if one.check.outcome != "agrees"]
    return (
        *(f"indicated: {kind} agrees: {', '.join(tags)}" for kind, tags in agree.items()),
        *(f"indicated: {line}" for line in differ),
    )


def _line(one: "StandCheck") -> str:
    mark = {"agrees": "", "differs": "DIFFERS: ", "cannot tell": "CANNOT TELL: "}[one.check.outcome]
    return f"{mark}{one.check.sentence}"


def say_checks(
    campaign: "Campaign", of: "CheckedStand", steps: "Sequence[Step]", journal: Path, *, written: bool
) -> "tuple[StandCheck, ...]":
    """Compute the checks from the recording, say how many agree, and write them."""
    from standbook.analysis.stand_sheets.check_outcomes import outcomes
    from standbook.analysis.stand_sheets.check_steps import VENTED, taken_in
    from standbook.daq.run.run_folder import open_run

    run = open_run(journal)
    taken = taken_in(run, steps, campaign.plan.test.t_zero_edge)
    checks = outcomes(of, taken)
    if not any(step.name == VENTED for step in taken):
        what = "nothing was taken" if not taken else f"the {VENTED} step was not taken"
        raise DataError(f"{what}, so no sheet was written; the recording is kept in {journal}")
    left_out = [step.name for step in steps if step.name not in {done.name for done in taken}]
    say("From the recording:")
    open_last = sorted(checks, key=lambda one: one.check.outcome != "agrees")
    say_wrapped(_line(one) for one in open_last)
    counts = [f"{sum(one.check.outcome == says for one in checks)} {words}" for says, words in _COUNTED]
    rehearsed = "REHEARSAL. " if run.info.rehearsal else ""
    say(f"{rehearsed}Checks of {campaign.plan.test.number}: {', '.join(counts)}.")
    if left_out:
        say(f"Left out: {', '.join(left_out)}.")
    if written:
        say(f"Sheet: {_sheet(of, run, taken, checks, left_out)}")
    return checks


def _sheet(
    of: "CheckedStand",
    run: "Run",
    taken: "Sequence[TakenStep]",
    checks: "Sequence[StandCheck]",
    left_out: "Sequence[str]",
) -> Path:
    """Write the sheet of checks into the campaign that a recording lies in."""
    from standbook.analysis.stand_sheets.check_outcomes import chart_values
    from standbook.analysis.stand_sheets.check_steps import VENTED
    from standbook.analysis.stand_sheets.check_text import check_text
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.toml_document import parse_document
    from standbook.daq.stand_sheets.check_file import CHECKS, CheckFile

    number = of.plan.test.number
    text = check_text(
        number,
        now().astimezone(),
        next((f"{step.value} kPa(a)" for step in taken if step.name == VENTED), "not read"),
        run.folder.name,
        checks,
        stand_sha256=run.manifest.files[STAND_FILE],
        rehearsal=run.info.rehearsal,
        values=chart_values(of, taken),
        left_out=left_out,
    )
    place = free_place(run.folder.resolve().parent.parent / CHECKS, f"{today()}_{number}")
    parse_document(text, CheckFile, str(place))  # what is written reads back, or is not written
    write_new(place, text)
    return place


_COUNTED = (("agrees", "agree"), ("differs", "differ"), ("cannot tell", "cannot be told"))
