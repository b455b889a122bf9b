"""Building what is emulated: the sketches exactly as they ship, and the program that runs them."""

import re
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from tests.firmware_tools import require
from tests.repository import ROOT

SKETCHES = ROOT / "daq" / "firmware"
ARDUINO = Path("/usr/share/arduino/hardware")
BUILDER = Path("/usr/share/arduino-builder")  # its own recipes
TOOLS = (
    "gcc",
    "avr-gcc",
    "avr-size",
    "arduino-builder",
    f"{ARDUINO}/arduino/avr/boards.txt",
    "/usr/include/simavr/sim_avr.h",
    "/usr/include/libelf.h",
)
BOARD = "arduino:avr:uno"  # an ATmega328P at 16 MHz
FLASH_BYTES, RAM_BYTES = 32_768, 2_048  # of that chip
# The compiler has no DECIMAL_DIG under the name that the core's headers use in C++.
NEEDED = "-DDECIMAL_DIG=__DECIMAL_DIG__"


def require_tools() -> None:
    """Skip where a tool is missing and say what installs it; fail where firmware tests must run."""
    require(*TOOLS)


@dataclass(frozen=True, slots=True)
class Binary:
    """A sketch as built."""

    elf: Path
    flash_bytes: int
    ram_bytes: int  # of variables; the stack comes on top
    warnings: tuple[str, ...]  # of the compiler, about the sketch's own files


def build_sketch(
    name: str,
    folder: Path,
    defines: Mapping[str, object] | None = None,
    instead: Mapping[str, str] | None = None,
    *,
    among: Path = SKETCHES,
) -> Binary:
    """Build a sketch of the package as the IDE would.

    Parameters
    ----------
    name : str
        Folder of the sketch.
    folder : Path
        For all that is built, made when it is not there; its parent is shared. Nothing is written beside the sources.
    defines : mapping, optional
        Macros; none for the sketch as shipped.
    instead : mapping, optional
        By name of a file of the sketch, the text that takes its place.
    among : Path, optional
        Where the sketch's folder lies; the package's own where none is named.
    """
    more = " ".join([NEEDED, *(f"-D{key}={value}" for key, value in (defines or {}).items())])
    sources, cache = among / name, folder.parent / "core"  # the board's own library, built once
    for place in (folder, cache):
        place.mkdir(parents=True, exist_ok=True)
    if instead:
        sources = shutil.copytree(sources, folder.parent / f"{folder.name}_sketch" / name)
        for file, text in instead.items():
            (sources / file).write_text(text, encoding="utf-8")
    sketch = sources / f"{name}.ino"
    flags = [f"-prefs=compiler.{kind}.extra_flags={more}" for kind in ("c", "cpp")]
    command = [
        "arduino-builder",
        "-compile",
        "-hardware",
        str(ARDUINO),
        "-hardware",
        str(BUILDER),
        "-tools",
        str(BUILDER),
        "-fqbn",
        BOARD,
        "-warnings",
        "all",
        "-build-path",
        str(folder),
        "-build-cache",
        str(cache),
        *flags,
        str(sketch),
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
    assert done.returncode == 0, f"{name} does not build:\n{done.stdout}{done.stderr}"
    elf = folder / f"{name}.ino.elf"
    own = re.findall(rf"^\S*(?:{re.escape(name)}|/sketch/)\S*: .*warning:.*$", done.stdout + done.stderr, re.MULTILINE)
    sections = dict(re.findall(r"^(\.\w+)\s+(\d+)", _told("avr-size", "-A", str(elf)), re.MULTILINE))
    flash = int(sections[".text"]) + int(sections.get(".data", 0))
    ram = sum(int(sections.get(section, 0)) for section in (".data", ".bss", ".noinit"))
    return Binary(elf, flash, ram, tuple(own))


def build_runner(folder: Path) -> Path:
    """Build the program that runs them."""
    runner = folder / "avr_runner"
    source = Path(__file__).with_name("avr_runner.c")
    flags = ("-std=gnu11", "-O2", "-Wall", "-Wextra", "-Werror")
    _told("gcc", *flags, "-o", str(runner), str(source), "-lsimavr", "-lelf")
    return runner


def _told(*command: str) -> str:
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}:\n{done.stdout}{done.stderr}"
    return done.stdout
