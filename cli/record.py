"""``standbook record``: record a run from the serial ports, then seal it."""

import shutil
import signal
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from cli.screen import CAUTION, PlanPath, now, say, say_all, software, today, warn
from daq.errors import EXIT_FINDINGS, ConfigError, LinkError, StandError

if TYPE_CHECKING:
    from daq.campaign import Campaign
    from daq.lock import Lock
    from daq.recorder import RecordEnd, Watch

LINE_EVERY = 5.0  # [s] between two lines where the output is no terminal


def record(
    plan: PlanPath,
    port: Annotated[
        list[str] | None, typer.Option("--port", metavar="DEVICE=PATH", help="The port of one device of the stand.")
    ] = None,
    seconds: Annotated[
        float | None, typer.Option("--for", metavar="SECONDS", min=0.0, help="Stop after this time.")
    ] = None,
    rehearsal: Annotated[bool, typer.Option("--rehearsal", help="Mark the run, and all that comes of it.")] = False,
    postdiction: Annotated[
        bool, typer.Option("--postdiction", help="Record although no prediction of this plan is locked.")
    ] = False,
) -> None:
    """Record a run until Ctrl-C (or a rehearsal's end), then seal it into Parquet with a manifest.

    Opening a port can reset the board behind it: start recording before the tanks are pressurised.

    Example: standbook record teasel-2/plans/HF-02.toml --port cradle-a=/dev/ttyACM0
    """
    from daq.campaign import read_campaign

    campaign = read_campaign(plan, today=today())
    folder, end = record_run(campaign, _ports(port or []), seconds, rehearsal=rehearsal, postdiction=postdiction)
    lost = seal_and_say(folder)
    if end.trouble is not None:
        raise end.trouble
    say(f"Next: standbook analyse {folder}")
    if lost:
        raise typer.Exit(EXIT_FINDINGS)


def record_run(
    campaign: "Campaign",
    given: dict[str, str],
    seconds: float | None,
    *,
    rehearsal: bool,
    postdiction: bool,
) -> tuple[Path, "RecordEnd"]:
    """Make the run folder and record into it; a folder into which nothing valid came is taken away again."""
    from daq.recorder import record_devices, resolve_ports
    from daq.run import RAW, create_run

    lock = _lock(campaign, postdiction=postdiction)
    ports = resolve_ports(campaign.stand, given)
    number = campaign.plan.test.number
    line = _StatusLine()
    with _first_signal_stops() as stopped:

        def stop(watch: "Watch") -> bool:
            if watch.rehearsal and not rehearsal:
                raise _MadeUpError(
                    f"{number}: the device says that it is made up; record it with --rehearsal, or plug the real one in"
                )
            over = rehearsal and watch.all_silent
            return bool(stopped) or over or (seconds is not None and watch.elapsed >= seconds)

        folder = create_run(campaign, lock, rehearsal=rehearsal, now=now(), software=software())
        line.say(f"Recording {number} into {folder}; stop with Ctrl-C.")
        line.say(CAUTION)
        try:
            end = record_devices(campaign.stand, ports, folder / RAW, stop=stop, report=line.show)
        except StandError as error:
            if isinstance(error, _MadeUpError) or line.frames == 0:
                shutil.rmtree(folder, ignore_errors=True)
            else:
                warn(f"standbook: what was recorded until then is kept; recover it with: standbook recover {folder}")
            raise
        finally:
            line.end()
    if not any(seen.received_bytes for seen in end.watch.devices):
        shutil.rmtree(folder, ignore_errors=True)
        raise end.trouble or LinkError(
            f"{number}: not one byte came from {', '.join(ports.values())} before recording stopped; no run is kept"
        )
    return folder, end


def seal_and_say(folder: Path) -> bool:
    """Seal a recording and say what is in it; tell whether anything is missing or damaged."""
    try:
        from daq.seal import seal  # takes long enough to be interrupted

        summary = seal(folder)
    except (StandError, KeyboardInterrupt):
        warn(f"standbook: the journals hold what was recorded; recover it with: standbook recover {folder}")
        raise
    say("Sealed:")
    say_all(summary.sentences())
    return not summary.is_whole


def _lock(campaign: "Campaign", *, postdiction: bool) -> "Lock | None":
    from daq.lock import check_lock

    if postdiction:
        return None
    lock = check_lock(campaign)
    if lock is None:
        raise ConfigError(
            f"{campaign.plan.test.number}: no prediction is locked; lock it with: standbook lock "
            f"{campaign.plan_path} (or record with --postdiction, and the report will say so)"
        )
    return lock


def _ports(given: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for item in given:
        device, equals, path = item.partition("=")
        if not (device and equals and path):
            raise ConfigError(f'--port "{item}" is not DEVICE=PATH; write for example --port cradle-a=/dev/ttyACM0')
        if device in found:
            raise ConfigError(f"--port is given twice for {device}: {found[device]} and {path}; keep one")
        found[device] = path
    return found


@contextmanager
def _first_signal_stops() -> Iterator[list[int]]:
    """Collect SIGINT and SIGTERM instead of dying by them: the first is the normal stop."""
    seen: list[int] = []
    numbers = [signal.SIGINT, signal.SIGTERM]
    before = {}
    for number in numbers:
        with suppress(ValueError):  # not in the main thread: somebody else stops this recording
            before[number] = signal.signal(number, lambda got, _frame: seen.append(got))
    try:
        yield seen
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


class _MadeUpError(LinkError):
    """Made-up data, about to be recorded as a test."""


def _alarm(device: str, watch: "Watch") -> str:
    if device in watch.ended:
        return ", NO LONGER RECORDED"
    return ", PORT LOST" if device in watch.lost else ""


class _StatusLine:
    """One line that is renewed in a terminal, and repeated every few seconds elsewhere.

    A terminal that has gone away, or a closed pipe, ends the line and not the recording.
    """

    def __init__(self) -> None:
        self._seen = True  # somebody can still read it
        self._live = sys.stdout.isatty()
        self._next = 0.0
        self.frames = 0  # valid ones of all devices, so far

    def say(self, text: str, *, nl: bool = True) -> None:
        if not self._seen:
            return
        try:
            typer.echo(text, nl=nl)
        except OSError:
            self._seen = False

    def show(self, watch: "Watch") -> None:
        self.frames = sum(seen.frames for seen in watch.devices)
        if not self._live and watch.elapsed < self._next:
            return
        self._next = watch.elapsed + LINE_EVERY
        parts = [
            f"{seen.device} {seen.rows:,} rows, {seen.lost_rows:,} lost, {seen.damaged:,} damaged, "
            f"{seen.received_bytes / 1e3:,.0f} kB on disk{_alarm(seen.device, watch)}"
            for seen in watch.devices
        ]
        text = f"{watch.elapsed:7.1f} s  " + " | ".join(parts)
        self.say(f"\r{text}\x1b[K" if self._live else text, nl=not self._live)

    def end(self) -> None:
        if self._live:
            self.say("")
