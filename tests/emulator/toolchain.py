"""Building what is emulated: the sketches exactly as they ship, and the program that runs them.

All tools come from Debian. Where one is missing the tests skip and say what to install; where the environment asks
for them, as ``.ci/run`` does, a missing one is a failure.
"""

import os
import re
import shutil
import subprocess
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest

REQUIRED = "STANDBOOK_REQUIRE_FIRMWARE"  # in the environment, not empty: a missing tool is a failure
PACKAGES = ("gcc", "libc6-dev", "gcc-avr", "avr-libc", "libsimavr-dev", "libelf-dev", "arduino-builder",
            "arduino-core-avr")  # fmt: skip
INSTALL = f"apt-get install {' '.join(PACKAGES)}"
ROOT = Path(__file__).resolve().parents[2]
SKETCHES = ROOT / "daq" / "firmware"
ARDUINO = Path("/usr/share/arduino/hardware")
BUILDER = Path("/usr/share/arduino-builder")  # its own recipes
BOARD = "arduino:avr:uno"  # an ATmega328P at 16 MHz
FLASH_BYTES, RAM_BYTES = 32_768, 2_048  # of that chip
# The compiler has no DECIMAL_DIG under the name that the core's headers use in C++.
NEEDED = "-DDECIMAL_DIG=__DECIMAL_DIG__"


def missing(
    programs: Sequence[str] = ("gcc", "avr-gcc", "avr-size", "arduino-builder"),
    files: Sequence[Path] = (Path("/usr/include/simavr/sim_avr.h"), Path("/usr/include/libelf.h"),
                             ARDUINO / "arduino/avr/boards.txt", Path("/usr/lib/avr/include/avr/io.h")),
    which: Callable[[str], str | None] = shutil.which,
) -> list[str]:  # fmt: skip
    """Name the tools that are not there."""
    return [name for name in programs if which(name) is None] + [str(file) for file in files if not file.exists()]


def demand(absent: Sequence[str], environment: Mapping[str, str] = os.environ) -> None:
    """Skip where tools are absent, and say what to install; fail where they are required."""
    if not absent:
        return
    told = f"firmware tools are missing ({', '.join(absent)}); on Debian: {INSTALL}"
    if environment.get(REQUIRED):
        pytest.fail(f"{told}; {REQUIRED} is set, so this is no reason to skip", pytrace=False)
    pytest.skip(told)


@dataclass(frozen=True, slots=True)
class Binary:
    """A sketch as built."""

    elf: Path
    flash_bytes: int
    ram_bytes: int  # of variables; the stack comes on top
    warnings: tuple[str, ...]  # of the compiler, about the sketch's own files


def build_sketch(name: str, folder: Path, defines: Mapping[str, object] | None = None) -> Binary:
    """Build a sketch of the package as the IDE would.

    Parameters
    ----------
    name : str
        Folder of the sketch.
    folder : Path
        An existing folder for all that is built; nothing is written beside the sources.
    defines : mapping, optional
        Macros; none for the sketch as shipped.
    """
    more = " ".join([NEEDED, *(f"-D{key}={value}" for key, value in (defines or {}).items())])
    sketch = SKETCHES / name / f"{name}.ino"
    flags = [f"-prefs=compiler.{kind}.extra_flags={more}" for kind in ("c", "cpp")]
    command = ["arduino-builder", "-compile", "-hardware", str(ARDUINO), "-hardware", str(BUILDER), "-tools",
               str(BUILDER), "-fqbn", BOARD, "-warnings", "all", "-build-path", str(folder), *flags, str(sketch)]
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
