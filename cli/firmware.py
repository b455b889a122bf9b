"""``standbook firmware``: copy the reference firmware into a folder, ready to edit and flash."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import CAUTION, say, say_all
from standbook.daq.errors import ConfigError

SKETCH, LINES_SKETCH = "standbook_node", "standbook_lines"  # a sketch's folder is named as its .ino
CONFIG = "node_config.h"
VERSION_LINE = "#define NODE_FIRMWARE "


def firmware(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the sketch's folder goes; made if need be.")],
    lines: Annotated[
        bool, typer.Option("--lines", help="The small sketch that prints numbers, instead of the reference firmware.")
    ] = False,
) -> None:
    """Copy the firmware for a board out of this program, beside the campaign whose record it makes.

    What is there already is never written over. The version of this program goes into NODE_FIRMWARE, so that every
    recording says which firmware made it.

    Example: standbook firmware teasel-2
    """
    name = LINES_SKETCH if lines else SKETCH
    place = folder / name
    if place.exists():
        raise ConfigError(f"{place}: exists already; nothing was written")
    _copy(name, place)
    say(f"Wrote {place}, {'a sketch that prints numbers' if lines else 'the reference firmware'}.")
    edit = "the numbers at its top" if lines else CONFIG
    say_all(
        (
            f"1. Edit {edit}: name, serial, baud, rate, channels.",
            f"2. Flash {place / name}.ino before anything is wired.",
            "3. Hear it: standbook ports --listen PORT, and paste its table into stand.toml.",
        )
    )
    say("Next: standbook guide board")
    say(CAUTION)


def _copy(name: str, place: Path) -> None:
    """Copy a sketch with its files, this program's version written into its configuration."""
    from importlib.resources import files

    from standbook.cli.sheets import make_folder
    from standbook.daq.software import version
    from standbook.daq.storage.atomic_write import write_atomic

    make_folder(place.parent)
    make_folder(place)
    for source in sorted(files("standbook.daq").joinpath("firmware", name).iterdir(), key=lambda one: one.name):
        content = source.read_bytes()
        if source.name == CONFIG:
            content = _versioned(content.decode("utf-8"), version()).encode("utf-8")
        write_atomic(place / source.name, content)


def _versioned(text: str, version: str) -> str:
    """Add this program's version to that of the firmware."""
    before, line, rest = text.partition(VERSION_LINE)
    stated, quote, after = rest.removeprefix('"').partition('"')
    return f'{before}{line}"{stated}+{version}{quote}{after}'
