"""Programs that tests of the firmware need: where one is missing the tests skip and say what installs it.

With STANDBOOK_REQUIRE_FIRMWARE=1, as in ``.ci/run``, a missing one fails the test instead.
"""

import os
import shutil
from pathlib import Path

import pytest

REQUIRED = "STANDBOOK_REQUIRE_FIRMWARE"

# What is looked for, and the Debian package that has it. Names with a slash are files.
PACKAGES = {
    "gcc": "gcc libc6-dev",
    "g++": "g++",
    "avr-gcc": "gcc-avr avr-libc",
    "avr-size": "binutils-avr",
    "arduino-builder": "arduino-builder",
    "/usr/share/arduino/hardware/arduino/avr/boards.txt": "arduino-core-avr",
    "/usr/include/simavr/sim_avr.h": "libsimavr-dev",
    "/usr/include/libelf.h": "libelf-dev",
}


def require(*programs):
    """Skip the test, or fail it where firmware tests must run, unless all of ``programs`` are there."""
    missing = [name for name in programs if not _is_there(name)]
    if not missing:
        return
    told = f"{', '.join(missing)} not found; install with: apt-get install -y {' '.join(_packages(missing))}"
    if os.environ.get(REQUIRED) == "1":
        pytest.fail(f"{told} ({REQUIRED}=1: tests of the firmware must run)", pytrace=False)
    pytest.skip(told)


def _packages(names):
    return dict.fromkeys(package for name in names for package in PACKAGES[name].split())


def _is_there(name):
    return Path(name).is_file() if name.startswith("/") else shutil.which(name) is not None
