"""``standbook record``: record a run from the serial ports, then seal it."""

import io
import signal
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import CAUTION, PlanPath, Units, check_units, now, say, say_all, today, warn
from standbook.daq.errors import EXIT_FINDINGS, ConfigError, StandError, UsageError

if TYPE_CHECKING:
    from standbook.cli.showing import Showing
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.live.live_model import Live
    from standbook.daq.recording.recorder import RecordEnd
    from standbook.daq.run.lock import Lock


def record(
    plan: PlanPath,
    port: Annotated[
        list[str] | None, typer.Option("--port", metavar="DEVICE=PATH", help="The port of one device of the stand.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", min=0.0, help="Stop after this time.")
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="The data are simulated: mark the run and all that comes of it.")
    ] = False,
    postdiction: Annotated[
        bool, typer.Option("--postdiction", help="Record although no prediction of this plan is locked.")
    ] = False,
    plain: Annotated[
        bool, typer.Option("--plain", help="Lines instead of the live screen: for logs and screen readers.")
    ] = False,
    no_analysis: Annotated[
        bool, typer.Option("--no-analysis", help="Only record and seal: no quick look, no first analysis.")
    ] = False,
    units: Units = "",
) -> None:
    """Record a run until Ctrl-C (or a rehearsal's end), seal it into Parquet with a manifest, and look at it.

    Opening a port can reset the board behind it: start recording before the tanks are pressurised.

    The screen shows what is indicated and how old it is; the plan's keys set marks: standbook guide recording.

    Example: standbook record teasel-2/plans/HF-02.toml --port cradle-a=/dev/ttyACM0
    """
    chosen = check_units(units)
    from standbook.daq.config.campaign import read_campaign

    campaign = read_campaign(plan, today=today()).shown_in(chosen)
    ports = ports_of(port or [])
    with ExitStack() as after:
        folder, end = record_run(
            campaign,
            ports,
            seconds,
            rehearsal=rehearsal,
            postdiction=postdiction,
            plain=plain,
            after=after,
            look=not no_analysis,
        )
        _seal_and_look(folder, end, no_analysis=no_analysis)


def _seal_and_look(folder: Path, end: "RecordEnd", *, no_analysis: bool) -> None:
    """Seal a recording, say what ended it, and look at what it gave; 10 where anything is missing."""
    try:
        lost = seal_and_say(folder)
    except StandError:
        if end.trouble is not None:  # what ended the recording must not hide behind what came of it
            warn(f"standbook: {end.trouble}")
        raise
    if end.trouble is not None:
        warn(f"standbook: {end.trouble}")
    if no_analysis:
        say(f"Next: standbook analyse {folder}")
    else:
        from standbook.cli.quick import analyse_and_look

        analyse_and_look(folder, redlines=end.tripped)
    if lost:
        raise typer.Exit(EXIT_FINDINGS)


def record_run(
    campaign: "Campaign",
    given: dict[str, str],
    seconds: float | None,
    *,
    rehearsal: bool,
    postdiction: bool,
    plain: bool = False,
    after: ExitStack | None = None,
    look: bool = False,
) -> tuple[Path, "RecordEnd"]:
    """Make the run folder and record into it.

    ``after`` takes what must hold until the run is sealed: words to a terminal that has gone go nowhere. ``look`` asks
    for the quick look while recording goes on.
    """
    from standbook.daq.recording.recorder import resolve_ports
    from standbook.daq.recording.run_recording import RecordingOrder, record_run_into
    from standbook.daq.run.new_run import create_run
    from standbook.daq.software import software

    lock = _lock(campaign, postdiction=postdiction)
    ports = resolve_ports(campaign.stand, given)
    number = campaign.plan.test.number
    with first_signal_stops() as stopped:
        folder = create_run(campaign, lock, rehearsal=rehearsal, now=now(), software=software())
        with suppress(OSError):  # nobody reads; the recording is what counts
            say(f"Recording {number} into {folder}; stop with Ctrl-C.")
            say(CAUTION)
        order = RecordingOrder(
            number=number, stand=campaign.stand, ports=ports, folder=folder, rehearsal=rehearsal, seconds=seconds
        )
        with _showing(campaign, folder, plain=plain, rehearsal=rehearsal, look=look) as (showing, live):
            try:
                end = record_run_into(
                    order, stopped=lambda: bool(stopped), report=showing.report, taken=live.take, tell=showing.tell
                )
            except StandError:
                showing.close()
                _say_kept(folder)
                raise
            finally:
                if after is not None and showing.painter is not None and showing.painter.is_gone:
                    _say_nothing_more(after)
    return folder, _with_tripped(end, live)


def _with_tripped(end: "RecordEnd", live: "Live") -> "RecordEnd":
    """Name the redlines that tripped beside how the recording ended."""
    redlines = live.state(time.monotonic_ns()).redlines
    return replace(end, tripped=tuple(line.name for line in redlines if line.tripped_at is not None))


def _say_kept(folder: Path) -> None:
    if folder.exists():
        warn(f"standbook: what was recorded until then is kept; recover it with: standbook recover {folder}")


def _say_nothing_more(after: ExitStack) -> None:
    """Let words to a terminal that has gone go nowhere."""
    after.enter_context(redirect_stdout(io.StringIO()))
    after.enter_context(redirect_stderr(io.StringIO()))


@contextmanager
def _showing(
    campaign: "Campaign", folder: Path, *, plain: bool, rehearsal: bool, look: bool
) -> "Iterator[tuple[Showing, Live]]":
    """Show a recording on the live screen with its keys, or in lines where there is no such terminal."""
    from standbook.cli.keys import KeyMarks, reading_keys
    from standbook.cli.live_words import head_of
    from standbook.cli.look_behind import LookBehind
    from standbook.cli.showing import Showing, is_screen, live_of
    from standbook.daq.host_clock import HostClocks
    from standbook.daq.run.marks import MARKS_FILE

    plan, clocks = campaign.plan, HostClocks()
    started = clocks.now().monotonic_ns
    live, trouble = live_of(
        plan, campaign.stand, campaign.calibrations, folder, started_ns=started, rehearsal=rehearsal
    )
    with ExitStack() as stack:
        screen = is_screen(plain=plain)
        reader = stack.enter_context(reading_keys(clocks)) if screen else None
        marks = KeyMarks(plan.mark, folder / MARKS_FILE, clocks) if reader is not None else None
        head = head_of(plan, takes_keys=reader is not None)
        behind = LookBehind(folder) if look else None
        showing = Showing(live, head, folder, plain=not screen, keys=reader, marks=marks, look=behind)
        stack.callback(showing.close)
        if trouble:
            showing.tell(trouble)
        yield showing, live


def seal_and_say(folder: Path, *, marks: bool = True) -> bool:
    """Seal a recording and say what is in it, ``marks`` too; tell whether anything is missing or damaged."""
    try:
        from standbook.daq.sealing.seal import seal  # takes long enough to be interrupted

        summary = seal(folder)
    except (StandError, KeyboardInterrupt):
        warn(f"standbook: the journals hold what was recorded; recover it with: standbook recover {folder}")
        raise
    say("Sealed:")
    say_all(line for line in summary.sentences() if marks or not line.startswith("mark "))
    return not summary.is_whole


def _lock(campaign: "Campaign", *, postdiction: bool) -> "Lock | None":
    from standbook.daq.run.lock import check_lock

    if postdiction:
        return None
    lock = check_lock(campaign)
    if lock is None:
        raise ConfigError(
            f"{campaign.plan.test.number}: no prediction is locked; lock it with: standbook lock "
            f"{campaign.plan_path} (or record with --postdiction, and the report will say so)"
        )
    return lock


def ports_of(given: list[str]) -> dict[str, str]:
    """Read what was given as ``--port DEVICE=PATH``."""
    found: dict[str, str] = {}
    for item in given:
        device, equals, path = item.partition("=")
        if not (device and equals and path):
            raise UsageError(f'--port "{item}" is not DEVICE=PATH; write for example --port cradle-a=/dev/ttyACM0')
        if device in found:
            raise UsageError(f"--port is given twice for {device}: {found[device]} and {path}; keep one")
        found[device] = path
    return found


@contextmanager
def first_signal_stops() -> Iterator[list[int]]:
    """Collect SIGINT and SIGTERM instead of dying by them: the first is the normal stop.

    A terminal that is closed (SIGHUP) ends nothing.
    """
    seen: list[int] = []
    before = {}
    with suppress(ValueError):  # not in the main thread: somebody else stops this recording
        for number in (signal.SIGINT, signal.SIGTERM):
            before[number] = signal.signal(number, lambda got, _frame: seen.append(got))
        if sys.platform != "win32":
            before[signal.SIGHUP] = signal.signal(signal.SIGHUP, lambda _got, _frame: None)
    try:
        yield seen
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
