"""``standbook bench``: record a board without a plan, and report on what it sends on two pages."""

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import CAUTION, now, say, say_all, warn
from standbook.daq.errors import EXIT_FINDINGS, ConfigError, FrameError, LinkError

if TYPE_CHECKING:
    from standbook.daq.config.stand import Stand
    from standbook.daq.survey.board_survey import BoardSurvey
    from standbook.daq.survey.line_survey import LineSurvey

NAME = "bench"  # of the folder, the stand and the runs
SECONDS, LEAST_SECONDS, MOST_SECONDS = 60.0, 1.0, 3600.0
LISTEN = 4.0  # s, before the recording: what the board is


def bench(
    port: Annotated[str, typer.Argument(metavar="PORT", help="Where the board is, as standbook ports lists it.")],
    to: Annotated[
        Path, typer.Option("--to", metavar="DIR", help="The campaign's folder; made where there is none.")
    ] = Path(NAME),
    seconds: Annotated[
        float,
        typer.Option("--for", metavar="SECONDS", min=LEAST_SECONDS, max=MOST_SECONDS, help="How long to record."),
    ] = SECONDS,
    baud: Annotated[
        str | None,
        typer.Option("--baud", metavar="N|auto", help="Speed, bit/s: the stand's, else 500000; auto: each usual one."),
    ] = None,
    listen: Annotated[
        float, typer.Option("--listen", metavar="SECONDS", min=0.1, max=60.0, help="How long to listen before.")
    ] = LISTEN,
) -> None:
    """Record a board without a plan, seal the recording, and report on its rows and columns on two printed pages.

    It listens first. A board of frames or of text lines gives DIR/stand.toml, one input a channel, in counts; a stand
    that is there already is used as it stands. No plan, lock, prediction or verdict; nothing is ever written to a port.
    Opening a port resets many boards, and it is opened twice. Ctrl-C ends the recording early; it is sealed all the
    same. Ends with 10 where rows are missing or damaged, or a column is stuck or at a rail.

    Example: standbook bench /dev/ttyUSB0 --to teasel-2 --for 60
    """
    from standbook.daq.port_name import port_fault

    if fault := port_fault(port):
        raise LinkError(fault)
    board = _board(port, to, baud, listen)
    _write_stand(board, to)
    folder = _recorded(board, to, seconds)
    from standbook.cli.record import seal_and_say

    is_damaged = seal_and_say(folder)
    if say_bench(folder) or is_damaged:
        raise typer.Exit(EXIT_FINDINGS)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Board:
    """A board that was heard."""

    port: str
    stand: "Stand"
    device: str  # the stand's name of it
    new_stand: str  # text of the stand file that is to be written; empty where there is one
    rehearsal: bool  # it says that it is simulated


def _board(port: str, campaign: Path, typed: str | None, seconds: float) -> _Board:
    """Listen, and say which device of which stand was heard."""
    from standbook.cli.ports import serial_of
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.stand import Stand, read_stand
    from standbook.daq.config.toml_document import parse_document
    from standbook.daq.survey.first_stand import stand_of_frames, stand_of_lines

    place = campaign / STAND_FILE
    there = read_stand(place) if place.exists() else None
    heard, lines, speed = _heard(port, typed if typed is not None else str(_baud_of(there, port)), seconds)
    rehearsal = any(hello.is_rehearsal for hello in heard.hellos)
    if there is not None:
        device = _known(there, place, heard, lines, port, speed)
        return _Board(port=port, stand=there, device=device, new_stand="", rehearsal=rehearsal)
    if lines is None:
        text = stand_of_frames(heard, speed, name=NAME)
    else:
        text = stand_of_lines(lines, port, speed, serial_of(port), name=NAME)
    if not text:
        raise FrameError(f"{port}: prints lines of which no table for {STAND_FILE} can be made; nothing is recorded")
    stand = parse_document(text, Stand, str(place))
    return _Board(port=port, stand=stand, device=stand.device[0].name, new_stand=text, rehearsal=rehearsal)


def _heard(port: str, typed: str, seconds: float) -> "tuple[BoardSurvey, LineSurvey | None, int]":
    """Listen and say what came; return it, its lines where it prints, and the speed that was understood."""
    from standbook.cli.ports import hear, speed_of, speeds
    from standbook.daq.survey.board_survey import account_for
    from standbook.daq.survey.line_survey import survey_lines

    bauds = speeds(typed)
    speed = bauds[0] if len(bauds) == 1 else speed_of(port, bauds)
    opening = hear(port, speed, seconds)
    heard = account_for(opening, seconds)
    if not heard.hellos and not heard.is_text:
        kind = FrameError if heard.frames else LinkError
        raise kind(
            f"{port}: no hello that can be read in {seconds:g} s at {speed} bit/s, nothing is recorded; what came: "
            f"{heard.instead}"
        )
    lines = None if heard.hellos else survey_lines(opening, seconds)
    say_all((heard if lines is None else lines).sentences(), indent="")
    return heard, lines, speed


def _baud_of(stand: "Stand | None", port: str) -> int:
    """Return the speed that a stand states for what is on a port, or for all its boards; else the firmware's."""
    from standbook.cli.ports import BAUD, serial_of

    devices = () if stand is None else stand.device
    serial = serial_of(port) if devices else ""
    own = [d.baud for d in devices if d.port == port or (serial and d.serial == serial)] or [d.baud for d in devices]
    return own[0] if len(set(own)) == 1 else BAUD


def _known(stand: "Stand", place: Path, heard: "BoardSurvey", lines: "LineSurvey | None", port: str, speed: int) -> str:
    """Return the stand's device that was heard; ``ConfigError`` where it has no such board."""
    from standbook.cli.ports import serial_of
    from standbook.daq.survey.first_stand import board_in

    device = board_in(stand, heard, lines, port=port, serial=serial_of(port))
    if device is None:
        first = heard.hellos[0] if heard.hellos else None
        board = f'board "{first.device}", serial {first.serial}' if first else "board that prints such lines"
        names = ", ".join(f"{d.name} (serial {d.serial or 'not stated'})" for d in stand.device)
        raise ConfigError(
            f"{place}: has no {board}, only {names}; add it to the file (standbook ports --listen {port} prints its "
            "table), or give another folder: --to DIR"
        )
    if device.baud != speed:
        raise ConfigError(
            f"{place}: device {device.name}: baud is {device.baud}, the board was heard at {speed}; correct one of both"
        )
    return device.name


def _write_stand(board: _Board, campaign: Path) -> None:
    from standbook.cli.sheets import write_new
    from standbook.daq.config.campaign import STAND_FILE

    if board.new_stand:
        write_new(campaign / STAND_FILE, board.new_stand)
        say(f"Wrote {campaign / STAND_FILE}: one input a channel, in counts.")


def _recorded(board: _Board, campaign: Path, seconds: float) -> Path:
    """Record into a new run, until the time is over or somebody says stop; return its folder."""
    from standbook.cli.record import first_signal_stops
    from standbook.daq.bench.unplanned_run import create_bench_run, next_name
    from standbook.daq.recording.run_recording import RecordingOrder, record_run_into
    from standbook.daq.software import software

    began = now()
    name = next_name(campaign, NAME, now=began)
    with first_signal_stops() as stopped:
        folder = create_bench_run(
            campaign, name, [board.device], rehearsal=board.rehearsal, now=began, software=software()
        )
        say(f"Recording {board.device} into {folder} for {seconds:g} s; Ctrl-C ends it early.")
        say(CAUTION)
        if board.rehearsal:
            say("REHEARSAL: the board says that it is simulated.")
        order = RecordingOrder(
            number=folder.name,
            stand=board.stand.of_devices([board.device]),
            ports={board.device: board.port},
            folder=folder,
            rehearsal=board.rehearsal,
            seconds=seconds,
        )
        end = record_run_into(
            order, stopped=lambda: bool(stopped), report=lambda _: None, taken=lambda _: None, tell=warn
        )
    if end.trouble is not None:
        warn(f"standbook: {end.trouble}")
    return folder


def say_bench(run: Path) -> bool:
    """Write the report of a bench run and say what it shows; tell whether a column is stuck or at a rail."""
    from standbook.analysis.bench_report.page import next_lines
    from standbook.analysis.bench_report.write import write_bench_report

    page, facts = write_bench_report(run)
    say(f"Report: {page}")
    say_all(facts.remarks)
    for line in next_lines(facts, str(run), str(run.parent.parent)):
        say(f"Next: {line}")
    return bool(facts.remarks)
