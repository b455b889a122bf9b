"""Tell what may be opened as a port: a device path or a port name, or a loopback socket of a rehearsal."""

import re
from typing import Final

from standbook.daq.printable import printable

LONGEST: Final = 500  # characters
_LOOPBACK: Final = re.compile(r"socket://(localhost|127(\.\d{1,3}){3}|\[::1\]):\d{1,5}")


def port_fault(port: str) -> str:
    """Say what is wrong with a port's name; empty where nothing is.

    The serial driver opens by address far more than ports, files among it.
    """
    if 0 < len(port) <= LONGEST and port.isprintable() and ("://" not in port or _LOOPBACK.fullmatch(port)):
        return ""
    shown = printable(port[:LONGEST]) or "an empty name"
    return f"{shown} is no port: write a device path, or socket://127.0.0.1:NUMBER of a rehearsal on this computer"
