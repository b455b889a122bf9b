"""``standbook demo``: run the whole job on a simulated stand, from a new campaign to the report of a firing."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.played import playing
from standbook.cli.record import record_run, seal_and_say
from standbook.cli.screen import CAUTION, heading, now, open_page, say, say_all, today

if TYPE_CHECKING:
    from collections.abc import Sequence

    from standbook.daq.config.campaign import Campaign
    from standbook.daq.rehearsal.script import Table

TIME_SCALE = 10.0
TAP_SCALE, REST_SCALE, HOLD_SCALE = 20.0, 40.0, 80.0  # at least, of what has fewer rows or stands still


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
    for words, practise, scale in (
        ("Taps, water in the tanks", practise_taps, TAP_SCALE),
        ("A check in place", practise_check, REST_SCALE),
        ("Filling, by the cell", practise_load, REST_SCALE),
    ):
        heading(words)
        practise(campaign, max(time_scale, scale))


def _run(plan: Path, time_scale: float) -> Path:
    from standbook.analysis.analyse import analyse_run
    from standbook.analysis.campaign.carried_runs import predict_in_campaign
    from standbook.analysis.prediction.sentences import prediction_sentences
    from standbook.analysis.report.terminal_summary import terminal_summary
    from standbook.analysis.report.write import write_report
    from standbook.cli.hold import say_holds
    from standbook.cli.predict import write_card
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
    write_card(campaign, prediction)

    weighings = campaign.folder / WEIGHINGS_FILE
    scale = max(time_scale, HOLD_SCALE) if holds else time_scale
    run = _recorded(campaign, _tables(campaign, weighings), scale)
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


def _tables(campaign: "Campaign", weighings: Path) -> "Sequence[Table]":
    """Return what the boards say of a plan; where its tanks open, write what the crew would weigh afterwards."""
    from standbook.analysis.simulation.story import draw_for, rehearse
    from standbook.cli.rehearse import weighings_text
    from standbook.cli.rehearse_work import hold_work
    from standbook.daq.storage.atomic_write import write_atomic

    if campaign.plan.kind.holds:
        return hold_work(campaign.plan_path, None, "").tables
    made_up = rehearse(campaign, draw_for(campaign.plan.test.number))
    write_atomic(weighings, weighings_text(made_up.weighings).encode())
    return tuple(made_up.tables.values())


def _recorded(campaign: "Campaign", tables: "Sequence[Table]", time_scale: float) -> Path:
    """Play what the boards say, record it and seal it."""
    with playing(tables, time_scale) as ports:
        run, _ = record_run(campaign, ports, None, rehearsal=True, postdiction=False)
    seal_and_say(run)
    return run
