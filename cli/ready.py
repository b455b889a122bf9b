"""``standbook ready``: what would be lost if the crew fired now, ranked, on the screen and on one printed sheet."""

import sys
from contextlib import nullcontext, redirect_stdout
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import CAUTION, AsJson, PlanPath, now, open_page, say, say_all, say_json, today
from standbook.daq.errors import EXIT_FINDINGS, ConfigError, RecordError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from standbook.analysis.readiness.campaign_state import CampaignState
    from standbook.analysis.readiness.fact import Fact
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.run.run_folder import Run
    from standbook.daq.stand_sheets.waiver_file import Waiver

LOOK = 10.0  # s of the boards


def ready(
    plan: PlanPath,
    look: Annotated[
        bool, typer.Option("--look", help=f"Record the boards for {LOOK:g} s and see whether every channel is alive.")
    ] = False,
    port: Annotated[
        list[str] | None, typer.Option("--port", metavar="DEVICE=PATH", help="Where a board is, if it is not found.")
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="Count sheets that were made on simulated boards.")
    ] = False,
    show: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
    as_json: AsJson = False,
) -> None:
    """List every fact that a run rests on, what it ruins where it does not hold, and what would mend it, ranked.

    It reads the plan's lock, calibrations and the sheets of check, pull, tap, hold and load; a waiver of the crew in
    waivers/PLAN.toml stands beside its fact and changes nothing. Ends with 10 where a fact is open.

    Example: standbook ready teasel-2/plans/HF-02.toml --look
    """
    from standbook.analysis.readiness.fact import with_waivers
    from standbook.analysis.readiness.page import ready_page
    from standbook.cli.record import ports_of
    from standbook.daq.config.campaign import read_campaign
    from standbook.daq.stand_sheets.waiver_file import read_waivers

    if port and not look:
        raise UsageError("--port goes with --look: without it no board is looked at")
    campaign = read_campaign(plan, today=today())
    waivers = read_waivers(campaign.folder, campaign.plan.test.number)
    seen = None
    if look:
        with redirect_stdout(sys.stderr) if as_json else nullcontext():  # what a machine reads is JSON alone
            seen = _looked(campaign, ports_of(port or []), rehearsal=rehearsal)
    facts, unused = with_waivers(_facts(campaign, seen, rehearsal=rehearsal), waivers)
    test = campaign.plan.test
    charts = _charts(campaign, rehearsal=rehearsal)
    page = ready_page(facts, unused, test, at=now().astimezone(), rehearsal=rehearsal, charts=charts)
    place = _written(campaign, page)
    if as_json:
        say_json({"page": str(place), "facts": [_plain(fact, number) for number, fact in enumerate(facts, start=1)]})
    else:
        _say(test.number, facts, unused, place)
    if show:
        open_page(place)
    if any(fact.is_open for fact in facts):
        raise typer.Exit(EXIT_FINDINGS)


def _facts(campaign: "Campaign", seen: "Run | None", *, rehearsal: bool) -> "tuple[Fact, ...]":
    """Return every fact, ranked."""
    from standbook.analysis.readiness.campaign_facts import campaign_facts
    from standbook.analysis.readiness.fact import ranked
    from standbook.analysis.readiness.live_facts import live_facts

    state = _state(campaign, rehearsal=rehearsal)
    return ranked((*campaign_facts(state), *live_facts(campaign.plan, campaign.stand, seen)))


def _say(plan: str, facts: "Sequence[Fact]", unused: "Sequence[Waiver]", place: Path) -> None:
    """Say what is open, the worst first."""
    from standbook.analysis.readiness.fact import grouped
    from standbook.analysis.readiness.page import group_lines, summary

    say(f"Before {plan}: {summary(facts)}.")
    for number, group in enumerate(grouped([fact for fact in facts if fact.is_open]), start=1):
        say_all(group_lines(group, number))
    say_all(f"REVIEW: waiver of {waiver.fact}: no open fact is called so" for waiver in unused)
    say(f"Page: {place}")
    say(CAUTION)


def _plain(fact: object, place: int) -> dict[str, object]:
    names = ("name", "state", "found", "ruins", "share", "chance", "loss", "age", "mend", "minutes")
    waiver = getattr(fact, "waiver", None)
    told = {name: getattr(fact, name) for name in names}
    return {"place": place, **told, "waived_by": None if waiver is None else waiver.role}


def _charts(campaign: "Campaign", *, rehearsal: bool) -> "tuple[Sequence[str], str]":
    """Return pictures of the campaign's zeros and shunt steps with their words; none where no check was repeated."""
    from standbook.analysis.readiness.charts import charts_of
    from standbook.daq.stand_sheets.check_file import all_checks

    checks = [sheet for sheet in all_checks(campaign.folder) if rehearsal or not sheet.rehearsal]
    charts = charts_of(checks, campaign.calibrations)
    if not charts:
        return (), ""
    from standbook.analysis.readiness.chart_figure import chart_figures, chart_words

    return chart_figures(charts), chart_words(charts)


def _state(campaign: "Campaign", *, rehearsal: bool) -> "CampaignState":
    """Read what the campaign's files say of a plan."""
    from standbook.analysis.readiness.campaign_state import CampaignState
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.run.new_run import free_space, required_space
    from standbook.daq.stand_sheets.check_file import all_checks
    from standbook.daq.stand_sheets.hold_file import newest_holds
    from standbook.daq.stand_sheets.load_file import newest_load
    from standbook.daq.stand_sheets.proof_file import newest_proofs
    from standbook.daq.stand_sheets.pull_file import newest_pulls
    from standbook.daq.stand_sheets.tap_file import newest_taps
    from standbook.daq.storage.manifest import sha256_of

    folder, number = campaign.folder, campaign.plan.test.number
    checks = tuple(sheet for sheet in all_checks(folder) if sheet.plan == number)
    taps, load = newest_taps(folder, practised=rehearsal), newest_load(folder, number)
    holds = newest_holds(folder)
    return CampaignState(
        plan=campaign.plan,
        stand=campaign.stand,
        calibrations=campaign.calibrations,
        now=now().astimezone(),
        stand_sha256=sha256_of(folder / STAND_FILE),
        lock=_lock(campaign),
        checks=tuple(sheet for sheet in checks if rehearsal or not sheet.rehearsal),
        pulls=newest_pulls(folder, until=today()),
        taps=None if taps is None else taps[1],
        holds={tank: hold for tank, hold in holds.items() if rehearsal or not hold.rehearsal},
        proofs=newest_proofs(folder),
        load=None if load is None or (load.rehearsal and not rehearsal) else load,
        free=free_space(folder),
        needed=required_space(campaign.plan, campaign.stand),
    )


def _lock(campaign: "Campaign") -> str:
    """Say why a plan is not locked as it is; empty where it is."""
    from standbook.daq.run.lock import check_lock

    try:
        return "" if check_lock(campaign) is not None else "not locked"
    except ConfigError as error:
        return error.problems[0]
    except RecordError as error:
        return str(error)


def _looked(campaign: "Campaign", given: dict[str, str], *, rehearsal: bool) -> "Run":
    """Record all boards for some seconds, seal, and open what came of it."""
    from standbook.cli.record import first_signal_stops, seal_and_say
    from standbook.daq.bench.unplanned_run import create_bench_run
    from standbook.daq.recording.recorder import resolve_ports
    from standbook.daq.recording.run_recording import RecordingOrder, record_run_into
    from standbook.daq.run.run_folder import open_run
    from standbook.daq.software import software

    ports = resolve_ports(campaign.stand, given)
    devices = [device.name for device in campaign.stand.device]
    with first_signal_stops() as stopped:
        folder = create_bench_run(
            campaign.folder,
            f"{campaign.plan.test.number}_look",
            devices,
            rehearsal=rehearsal,
            now=now(),
            software=software(),
        )
        say(f"Looking at {', '.join(devices)} for {LOOK:g} s, into {folder}.")
        order = RecordingOrder(
            number=folder.name, stand=campaign.stand, ports=ports, folder=folder, rehearsal=rehearsal, seconds=LOOK
        )
        record_run_into(order, stopped=lambda: bool(stopped), report=_nothing, taken=_nothing, tell=say)
    seal_and_say(folder, marks=False)
    return open_run(folder)


def _nothing(_: object) -> None:
    """Show nothing while looking."""


def _written(campaign: "Campaign", page: str) -> Path:
    """Write the page beside the plans: it says how things were at its minute, and a newer one takes its place."""
    from standbook.cli.sheets import make_folder
    from standbook.daq.storage.atomic_write import write_atomic

    place = campaign.folder / "ready" / f"{campaign.plan.test.number}.html"
    make_folder(place.parent)
    write_atomic(place, page.encode("utf-8"))
    return place
