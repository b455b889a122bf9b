"""``standbook demo``: run the whole job on a simulated stand, from a new campaign to the report of a firing."""

import subprocess
import sys
import time
from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.record import record_run, seal_and_say
from standbook.cli.screen import CAUTION, heading, now, open_page, say, say_all, today
from standbook.daq.errors import LinkError

TIME_SCALE = 10.0
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
    """Run the whole job: two water flows and a firing, predicted, locked, recorded, analysed, reported.

    Everything is streamed by a simulated stand over a pseudo-terminal and so marked a rehearsal.

    Example: standbook demo
    """
    from standbook.cli.starter import PLAN_FILES, write_campaign

    campaign = write_campaign(folder, today=today())
    say(f"Wrote the campaign {campaign}: the invented engine Teasel-2 on the Quarry Cradle. All of it is a REHEARSAL.")
    report = Path()
    for name in PLAN_FILES:
        report = _run(campaign / "plans" / name, time_scale)
    heading("Done")
    say(CAUTION)
    say(f"Report: {report.resolve()}")
    if show:
        open_page(report)


def _run(plan: Path, time_scale: float) -> Path:
    from standbook.analysis.analyse import analyse_run
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.prediction.pad_card import prediction_sentences
    from standbook.analysis.report.terminal_summary import terminal_summary
    from standbook.analysis.report.write import write_report
    from standbook.daq.config.campaign import read_campaign
    from standbook.daq.run.additions import WEIGHINGS_FILE, add
    from standbook.daq.run.lock import lock_campaign
    from standbook.daq.software import software

    campaign = read_campaign(plan, today=today())
    heading(f"{campaign.plan.test.number}: {campaign.plan.test.objective}")
    prediction = predict_in_campaign(campaign)
    lock_campaign(campaign, prediction.to_json(), now=now())
    say("Predicted and locked:")
    say_all(prediction_sentences(prediction))

    weighings = campaign.folder / WEIGHINGS_FILE
    link = campaign.folder / "cradle-a.port"
    stand = _start_stand(plan, time_scale, link, weighings)
    try:
        run, _ = record_run(campaign, {"cradle-a": str(link.readlink())}, None, rehearsal=True, postdiction=False)
    finally:
        stand.terminate()
        stand.wait()
        link.unlink(missing_ok=True)
    seal_and_say(run)
    add(run, [weighings])
    weighings.unlink()

    _, results = analyse_run(run, software=software())
    say("Analysed:")
    say_all(terminal_summary(results))
    report = write_report(run, now=now())
    say(f"Report: {report}")
    return report


def _start_stand(plan: Path, time_scale: float, link: Path, weighings: Path) -> "subprocess.Popen[bytes]":
    # -P: a folder called cli where the user happens to stand is not ours
    command = [sys.executable, "-P", "-m", "standbook.cli", "rehearse", str(plan), "--time-scale", str(time_scale)]
    command += ["--link", str(link), "--weighings", str(weighings)]
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
