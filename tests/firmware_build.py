"""The firmware compiled for this computer, with every warning an error and the sanitizers on."""

import os
import subprocess
from pathlib import Path

from tests.firmware_tools import require

ROOT = Path(__file__).resolve().parents[1]
HOST = ROOT / "tests" / "firmware_host"
FIRMWARE = ROOT / "daq" / "firmware"
NODE = FIRMWARE / "standbook_node"

WARNINGS = ("-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Werror")
SANITIZERS = ("-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g", "-O1")
# The leak search needs ptrace, which containers may refuse; what a driver frees is not what is tested.
SETTINGS = {"ASAN_OPTIONS": "detect_leaks=0:abort_on_error=0", "UBSAN_OPTIONS": "print_stacktrace=1"}


def compile_c(source, target, *, include=NODE, flags=()):
    """Compile one C file to an object."""
    require("gcc")
    run("gcc", "-std=c99", *WARNINGS, *SANITIZERS, *flags, f"-I{include}", "-c", source, "-o", target)
    return target


def compile_cpp(source, target, *, include=NODE, flags=(), warnings=WARNINGS):
    """Compile one file as C++ to an object."""
    require("g++")
    run("g++", "-std=c++11", *warnings, *SANITIZERS, *flags, f"-I{include}", "-x", "c++", "-c", source, "-o", target)
    return target


def link(target, *objects, compiler="gcc"):
    """Link objects to a program."""
    run(compiler, *SANITIZERS, *objects, "-o", target)
    return target


def run(*command):
    """Run a compiler; what it says becomes the failure."""
    done = subprocess.run([*map(str, command)], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, ""), f"{' '.join(map(str, command))}\n{done.stderr}"


def environment():
    """The environment of a sanitized program."""
    return {**os.environ, **SETTINGS}
