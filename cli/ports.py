"""``standbook ports``: list the serial ports of this computer, or report what the board on one of them sends."""

import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import AsJson, now, say, say_all, say_json, warn
from standbook.daq.errors import ConfigError, FrameError, LinkError, UsageError

if TYPE_CHECKING:
    from standbook.daq.recovery.board_survey import BoardSurvey

SECONDS = 10.0
BAUD = 500_000  # NODE_BAUD of the reference firmware


def ports(
    listen: Annotated[
        str | None, typer.Option("--listen", metavar="PORT", help="Open this port and say what its board says.")
    ] = None,
    baud: Annotated[int, typer.Option("--baud", metavar="N", min=1, help="Speed of the port, bit/s.")] = BAUD,
    seconds: Annotated[
        float, typer.Option("--seconds", metavar="S", min=0.1, max=600.0, help="How long to listen.")
    ] = SECONDS,
    save: Annotated[
        Path | None, typer.Option("--save", metavar="CAMPAIGN", help="Keep the board's layouts in the campaign.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """List the serial ports of this computer, or listen on one and say what its board sends.

    Opening a port resets many boards: listen before anything is pressurised. Nothing is ever written to a port.
    With --save, what the board says of its streams goes to CAMPAIGN/layouts; a run takes it along and decodes rows
    whose hello never comes.

    Example: standbook ports --listen /dev/ttyACM0 --save teasel-2
    """
    if listen is not None:
        _listen(listen, baud, seconds, save, as_json=as_json)
    elif save is not None:
        raise UsageError("--save needs a port to listen on: standbook ports --listen PORT --save CAMPAIGN")
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


def _listen(path: str, baud: int, seconds: float, save: Path | None, *, as_json: bool) -> None:
    from standbook.daq.capture.serial_port import open_port
    from standbook.daq.port_name import port_fault
    from standbook.daq.recovery.board_survey import account_for, device_table, listen

    if fault := port_fault(path):
        raise LinkError(fault)
    warn(f"Listening on {path} at {baud} bit/s for {seconds:g} s; opening it may have reset the board.")
    with open_port(path, baud) as port:
        opening = listen(port, seconds, time.monotonic_ns, progress=_progress)
    _progress_ends()
    heard = account_for(opening, seconds)
    if as_json:
        say_json(heard.to_json())
    else:
        say_all(heard.sentences(), indent="")
        if heard.hellos:
            say("in stand.toml, with the clock_tolerance of its oscillator:")
            say_all(device_table(heard, baud))
    if not heard.hellos and not heard.is_text:
        kind = FrameError if heard.frames else LinkError
        raise kind(
            f"{path}: no hello that can be read in {seconds:g} s at {baud} bit/s; what came stands above; compare the "
            f"speed and the firmware of the board with stand.toml (firmware as shipped: --baud {BAUD})"
        )
    if save is not None:
        _save(path, save, heard, baud, as_json=as_json)


def _save(path: str, campaign: Path, heard: "BoardSurvey", baud: int, *, as_json: bool) -> None:
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.stand import read_stand
    from standbook.daq.recovery.board_survey import differences
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
