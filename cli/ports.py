"""``standbook ports``: list the serial ports of this computer, or report what the board on one of them sends."""

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, now, say, say_all, say_json, warn
from standbook.cli.sheets import write_new
from standbook.daq.errors import ConfigError, FrameError, LinkError, UsageError

if TYPE_CHECKING:
    from standbook.daq.recovery.device_stream import PortOpening
    from standbook.daq.survey.board_survey import BoardSurvey

SECONDS = 10.0
BAUD = 500_000  # NODE_BAUD of the reference firmware
USUAL_BAUDS = (BAUD, 115_200, 9_600, 1_000_000)  # of boards as they come
AUTO, AUTO_SECONDS = "auto", 3.0  # s that each usual speed is listened to


def ports(
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="PORT", help="Open this port and say what its board says.")
    ] = None,
    baud: Annotated[
        str, typer.Option("--baud", metavar="N|auto", help="Speed of the port, bit/s; auto: opened at each usual one.")
    ] = str(BAUD),
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=0.1, max=600.0, help="How long to listen.")
    ] = SECONDS,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="CAMPAIGN", help="Keep the board's layouts in the campaign.")
    ] = None,
    write: Annotated[
        Path | None, typer.Option("--write", metavar="FILE", help="Put the table that is found into a new file.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the serial ports of this computer, or listen on one and say what its board sends.

    Opening a port resets many boards: listen before anything is pressurised. Nothing is ever written to a port.
    Of a board that prints numbers it is told how its lines are written, which column counts and which keeps time, and
    the table that stand.toml needs, to be pasted, or with --write in a new file.
    With --save, what the board says of its streams goes to CAMPAIGN/layouts; a run takes it along and decodes rows
    whose hello never comes.

    Example: standbook ports --listen /dev/ttyACM0 --save teasel-2
    """
    if listen is not None:
        _listen(listen, speeds(baud), seconds, save, write, as_json=as_json)
    elif save is not None or write is not None:
        option, what = ("--save", "CAMPAIGN") if save is not None else ("--write", "FILE")
        raise UsageError(f"{option} needs a port to listen on: standbook ports --listen PORT {option} {what}")
    else:
        _list(as_json=as_json)


def _list(*, as_json: bool) -> None:
    from standbook.daq.capture.serial_port import list_ports

    found = list_ports()
    if as_json:
        say_json({"ports": [{"port": p.path, "serial": p.serial_number, "description": p.description} for p in found]})
    elif not found:
        say("No serial port on this computer. Plug the board in, or try without one: standbook rehearse PLAN")
    for port in found if not as_json else ():
        say(f"{port.path}  serial {port.serial_number or 'none'}  {port.description}")


def speeds(typed: str) -> tuple[int, ...]:
    """Read a speed, or ``auto``: the usual ones in turn."""
    if typed == AUTO:
        return USUAL_BAUDS
    if not typed.isascii() or not typed.isdigit() or not 0 < int(typed) < 2**31:
        raise UsageError(f'--baud "{typed}" is no speed; type bit/s such as {BAUD}, or {AUTO}')
    return (int(typed),)


def _listen(
    path: str, bauds: tuple[int, ...], seconds: float, save: Path | None, write: Path | None, *, as_json: bool
) -> None:
    from standbook.daq.port_name import port_fault
    from standbook.daq.survey.board_survey import account_for, device_table
    from standbook.daq.survey.line_survey import survey_lines

    if fault := port_fault(path):
        raise LinkError(fault)
    baud = bauds[0] if len(bauds) == 1 else speed_of(path, bauds)
    opening = hear(path, baud, seconds)
    heard = account_for(opening, seconds)
    lines = survey_lines(opening, seconds) if heard.is_text else None
    table = device_table(heard, baud) if lines is None else lines.table(path, baud, serial_of(path))
    if as_json:
        say_json({**heard.to_json(), "text_lines": None if lines is None else lines.to_json(), "table": list(table)})
    else:
        say_all(heard.sentences() if lines is None else lines.sentences(), indent="")
        if table:
            say(f"in stand.toml{', with the clock_tolerance of its oscillator' if heard.hellos else ''}:")
            say_all(table)
    if not heard.hellos and not heard.is_text:
        kind = FrameError if heard.frames else LinkError
        raise kind(
            f"{path}: no hello that can be read in {seconds:g} s at {baud} bit/s; what came stands above; compare the "
            f"speed and the firmware of the board with stand.toml (firmware as shipped: --baud {BAUD})"
        )
    if lines is not None and not table:
        raise FrameError(f"{path}: prints lines of which no table for stand.toml can be made; what came stands above")
    if write is not None:
        _write(write, table, as_json=as_json)
    if save is not None:
        _save(path, save, heard, baud, as_json=as_json)


def hear(path: str, baud: int, seconds: float) -> "PortOpening":
    """Open a port and listen, saying so; ``LinkError`` where it cannot be opened or is lost."""
    from standbook.daq.capture.serial_port import open_port
    from standbook.daq.survey.board_survey import listen

    warn(f"Listening on {path} at {baud} bit/s for {seconds:g} s; opening it may have reset the board.")
    with open_port(path, baud) as port:
        opening = listen(port, seconds, time.monotonic_ns, progress=_progress)
    _progress_ends()
    return opening


def speed_of(path: str, bauds: tuple[int, ...]) -> int:
    """Return the first speed at which a board is understood."""
    from standbook.daq.survey.board_survey import account_for

    for baud in bauds:
        heard = account_for(hear(path, baud, AUTO_SECONDS), AUTO_SECONDS)
        if heard.frames or heard.is_text:
            return baud
    raise LinkError(f"{path}: neither frames nor text at {', '.join(map(str, bauds))} bit/s; name its speed: --baud N")


def serial_of(path: str) -> str:
    """Return the USB serial number of a port; empty where it has none."""
    from standbook.daq.capture.serial_port import list_ports

    return next((port.serial_number or "" for port in list_ports() if port.path == path), "")


def _write(place: Path, table: tuple[str, ...], *, as_json: bool) -> None:
    write_new(place, "\n".join((*table, "")))
    (warn if as_json else say)(f"Wrote {place}; name its columns, and give each an [[input]]: standbook guide files")


def _save(path: str, campaign: Path, heard: "BoardSurvey", baud: int, *, as_json: bool) -> None:
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.stand import read_stand
    from standbook.daq.survey.board_survey import differences
    from standbook.daq.wire.saved_layouts import write_layouts

    if heard.is_text:
        raise FrameError(f"{path}: prints text lines, which need no saved layout: stand.toml names their columns")
    stand = read_stand(campaign / STAND_FILE)
    told = heard.hellos[0]
    named = [d.name for d in stand.device if d.name == told.device]
    named += [d.name for d in stand.device if d.serial and d.serial == told.serial]
    if not named:
        names = ", ".join(f"{d.name} (serial {d.serial or 'not stated'})" for d in stand.device)
        raise ConfigError(
            f'{campaign / STAND_FILE}: has no device "{told.device}" and none of serial {told.serial}, only {names}; '
            "name the board there first"
        )
    mine = [hello for hello in heard.hellos if (hello.device, hello.serial) == (told.device, told.serial)]
    place = write_layouts(campaign, named[0], mine, now().isoformat(timespec="seconds"))
    (warn if as_json else say)(f"Saved {place}")
    for difference in differences(heard, baud, stand.device_named(named[0]), stand):
        warn(f"{campaign / STAND_FILE}: device {named[0]}: {difference}")


def _progress(gone: float, received: int) -> None:
    if sys.stderr.isatty():
        typer.echo(f"\r{gone:6.1f} s  {received:,} bytes\x1b[K", err=True, nl=False)


def _progress_ends() -> None:
    if sys.stderr.isatty():
        typer.echo("\r\x1b[K", err=True, nl=False)
