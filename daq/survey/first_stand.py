"""Write the first ``stand.toml`` of a board from what it said: its device table, and an input for each channel.

Nothing is known yet of what hangs on a channel, so an input says "counts" and "other", and its tag is the name that
the board gives the channel, as far as it can name files.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Final

from standbook.daq.config.measurands import OTHER
from standbook.daq.config.sensor_kinds import COUNTS
from standbook.daq.config.stand import COLUMNS, Device, Input, Stand
from standbook.daq.survey.board_survey import BoardSurvey, device_table
from standbook.daq.survey.line_survey import LINE_DEVICE, LineSurvey, toml_text

LONGEST_TAG: Final = 40  # characters
_ILLEGAL: Final = re.compile(r"[^A-Za-z0-9._-]+")
_HEAD: Final = """\
# Made from what the board said. Rename the tags; then say what each input measures, its kind and its calibration:
# standbook guide files
name = "{name}"
nozzle = "down"         # nobody said: down, up or horizontal
tanks_on_cell = false   # nobody said
"""


def legal_name(text: str, taken: Iterable[str] = (), *, instead: str = "channel") -> str:
    """Make what a board calls something into a name that can name files, unlike those that are taken."""
    name = _ILLEGAL.sub("-", text).strip("._-")[:LONGEST_TAG].rstrip("._-") or instead
    name = name.removesuffix(".counts") or instead
    known = {*taken, *COLUMNS}
    numbered = (f"{name}-{number}" for number in range(2, len(known) + 3))
    return name if name not in known else next(one for one in numbered if one not in known)


def stand_of_frames(heard: BoardSurvey, baud: int, *, name: str) -> str:
    """Write the stand of a board whose hello came.

    Parameters
    ----------
    heard : BoardSurvey
        With a hello.
    baud : int
        Speed at which it was heard. [bit/s]
    name : str
        Of the stand; must be able to name files.
    """
    device = legal_name(heard.hellos[0].device, instead=LINE_DEVICE)
    named = replace(heard, hellos=tuple(replace(hello, device=device) for hello in heard.hellos))
    wires = [(hello.name, channel.name) for hello in heard.hellos for channel in hello.channels]
    return _stand(name, device_table(named, baud), device, tuple(dict.fromkeys(wires)))


def stand_of_lines(lines: LineSurvey, port: str, baud: int, serial: str, *, name: str) -> str:
    """Write the stand of a board that prints numbers; empty where its lines give no table.

    Parameters
    ----------
    lines : LineSurvey
        What its lines tell.
    port : str
        Where it was heard; stands in the table where it has no USB serial number.
    baud : int
        Speed. [bit/s]
    serial : str
        USB serial number, empty without one.
    name : str
        Of the stand; must be able to name files.
    """
    table, layout = lines.table(port, baud, serial), lines.layout
    if not table or layout is None:
        return ""
    roles = {layout.clock, layout.counter, layout.boot}
    stream = str(Input.model_fields["stream"].default)
    wires = tuple((stream, column) for column in layout.columns if column not in roles)
    return _stand(name, table, LINE_DEVICE, wires) if wires else ""


def board_in(stand: Stand, heard: BoardSurvey, lines: LineSurvey | None, *, port: str, serial: str) -> Device | None:
    """Find the device of a stand that was heard on a port.

    Parameters
    ----------
    stand : Stand
        Names devices.
    heard : BoardSurvey
        What came.
    lines : LineSurvey or None
        Of a board that prints numbers.
    port, serial : str
        Where it was heard, and the USB serial number there, empty without one.

    Notes
    -----
    By its serial number; else, where the stand states none, by its name, by its port, or as the only device that
    prints rows of as many numbers.
    """
    if lines is None:
        told = heard.hellos[0]
        framed = [device for device in stand.device if device.text_lines is None]
        by_serial = [device for device in framed if device.serial and device.serial == told.serial]
        name = legal_name(told.device, instead=LINE_DEVICE)
        return next(iter((*by_serial, *(d for d in framed if not d.serial and d.name == name))), None)
    columns = len(lines.layout.columns) if lines.layout is not None else 0
    alike = [d for d in stand.device if d.text_lines is not None and len(d.text_lines.columns) == columns]
    placed = [d for d in alike if (serial and d.serial == serial) or d.port == port]
    free = [d for d in alike if not d.serial and d.port is None]
    return next(iter((*placed, *(free if len(free) == 1 else ()))), None)


def _stand(name: str, table: Sequence[str], device: str, wires: Sequence[tuple[str, str]]) -> str:
    tags: list[str] = []
    written = [_HEAD.format(name=name), *table]
    for stream, wire in wires:
        tags.append(legal_name(wire, tags))
        written += [
            "",
            "[[input]]",
            f"device = {toml_text(device)}",
            f"stream = {toml_text(stream)}",
            f"wire = {toml_text(wire)}",
            f"tag = {toml_text(tags[-1])}",
            f"kind = {toml_text(COUNTS.name)}",
            f"measures = {toml_text(OTHER)}",
        ]
    return "\n".join((*written, ""))
