"""``standbook ports``: the serial ports of this computer."""

from cli.screen import AsJson, say, say_json


def ports(as_json: AsJson = False) -> None:
    """List the serial ports of this computer with the USB serial number of what is plugged in.

    Example: standbook ports
    """
    from daq.port import list_ports

    found = list_ports()
    if as_json:
        say_json({"ports": [{"port": p.path, "serial": p.serial_number, "description": p.description} for p in found]})
    elif not found:
        say("No serial port on this computer. Plug the board in, or try without one: standbook rehearse PLAN")
    for port in found if not as_json else ():
        say(f"{port.path}  serial {port.serial_number or 'none'}  {port.description}")
