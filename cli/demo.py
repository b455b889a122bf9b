"""``standbook demo``: run the whole job on a simulated stand, from a new campaign to the report of a firing."""

import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.record import record_run, seal_and_say
from standbook.cli.screen import CAUTION, heading, now, open_page, say, say_all, today
from standbook.daq.errors import LinkError

if TYPE_CHECKING:
    from standbook.daq.config.campaign import Campaign

TIME_SCALE = 10.0
HOLD_SCALE = 20.0  # of what lasts many minutes
PORT_WAIT = 60.0  # [s] for the simulated stand to compute its physics


def demo(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the demo campaign is made.")] = Path(
        "standbook-demo"
    ),
    time_scale: Annotated[
        float, typer.Option("--time-scale", min=0.5, max=50.0, help="How many times faster than real time.")
    ] = TIME_SCALE,
    show: Annotated[bool, typer.Option("--open", help="Open the firing's report in the browser.")] = False,
) -> None:
    """Run the whole job: two water flows, a hold, a check, a firing, predicted, locked, recorded, analysed, reported.

    Everything is streamed by a simulated stand over a pseudo-terminal and so marked a rehearsal.

    Example: standbook demo
    """
    from standbook.cli.starter import HOLD_FILE, PLAN_FILES, write_campaign

    campaign = write_campaign(folder, today=today())
    say(f"Wrote the campaign {campaign}: the invented engine Teasel-2 on the Quarry Cradle. All of it is a REHEARSAL.")
    report = Path()
    firing = campaign / "plans" / PLAN_FILES[-1]
    _prepare(campaign, firing)
    for name in (*PLAN_FILES[:-1], HOLD_FILE, PLAN_FILES[-1]):
        if name == firing.name:
            _check(firing, time_scale)
        report = _run(campaign / "plans" / name, time_scale)
    heading("Done")
    say(CAUTION)
    say(f"Report: {report.resolve()}")
    if show:
        open_page(report)


def _prepare(campaign: Path, firing: Path) -> None:
    """Pull on the cell before anything is locked: what comes of it is one of the files that a run is judged by."""
    from standbook.cli.practise import write_pull
    from standbook.daq.config.campaign import read_campaign

    heading("A pull in place, two days ago")
    write_pull(read_campaign(firing, today=today()))


def _check(firing: Path, time_scale: float) -> None:
    """Tap, check and fill the stand before the firing."""
    from standbook.cli.practise import practise_check, practise_load, practise_taps
    from standbook.daq.config.campaign import read_campaign

    campaign = read_campaign(firing, today=today())
    for words, practise in (
        ("Taps, water in the tanks", practise_taps),
        ("A check in place", practise_check),
        ("Filling, by the cell", practise_load),
    ):
        heading(words)
        practise(campaign, time_scale)


def _run(plan: Path, time_scale: float) -> Path:
    from standbook.analysis.analyse import analyse_run
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.prediction.sentences import prediction_sentences
    from standbook.analysis.report.terminal_summary import terminal_summary
    from standbook.analysis.report.write import write_report
    from standbook.cli.hold import say_holds
    from standbook.daq.config.campaign import read_campaign
    from standbook.daq.run.additions import WEIGHINGS_FILE, add
    from standbook.daq.run.lock import lock_campaign
    from standbook.daq.software import software

    campaign = read_campaign(plan, today=today())
    heading(f"{campaign.plan.test.number}: {campaign.plan.test.objective}")
    holds = campaign.plan.kind.holds
    prediction = predict_in_campaign(campaign)
    lock_campaign(campaign, prediction.to_json(), now=now())
    say("Predicted and locked:")
    say_all(prediction_sentences(prediction))

    weighings = campaign.folder / WEIGHINGS_FILE
    scale = max(time_scale, HOLD_SCALE) if holds else time_scale
    run = _recorded(campaign, scale, None if holds else weighings)
    if not holds:
        add(run, [weighings])
        weighings.unlink()

    _, results = analyse_run(run, software=software())
    say("Analysed:")
    say_all(terminal_summary(results))
    report = write_report(run, now=now())
    say(f"Report: {report}")
    if holds:
        say_holds(run)
    return report


def _recorded(campaign: "Campaign", time_scale: float, weighings: Path | None) -> Path:
    """Play a plan on a simulated stand in a process of its own, record and seal it."""
    link = campaign.folder / "cradle-a.port"
    stand = _start_stand(campaign.plan_path, time_scale, link, weighings)
    try:
        run, _ = record_run(campaign, {"cradle-a": str(link.readlink())}, None, rehearsal=True, postdiction=False)
    finally:
        stand.terminate()
        stand.wait()
        link.unlink(missing_ok=True)
    seal_and_say(run)
    return run


def _start_stand(plan: Path, time_scale: float, link: Path, weighings: Path | None) -> "subprocess.Popen[bytes]":
    # -P: a folder called cli where the user happens to stand is not ours
    command = [sys.executable, "-P", "-m", "standbook.cli", "rehearse", str(plan), "--time-scale", str(time_scale)]
    command += ["--link", str(link)]
    command += [] if weighings is None else ["--weighings", str(weighings)]
    stand = subprocess.Popen(command, stdout=subprocess.DEVNULL)  # noqa: S603 - our own program, no shell
    deadline = time.monotonic() + PORT_WAIT
    while not link.is_symlink():
        ended = stand.poll()
        if ended is not None:
            raise LinkError(f"{plan}: the simulated stand ended with code {ended} before it served a port")
        if time.monotonic() > deadline:
            stand.kill()
            stand.wait()
            raise LinkError(f"{plan}: the simulated stand served no port within {PORT_WAIT:g} s")
        time.sleep(0.05)
    return stand
