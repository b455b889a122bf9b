"""The firmware compiled for this computer, with every warning an error and the sanitizers on."""

import os
import subprocess

from tests.firmware_tools import require
from tests.repository import ROOT

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
    run("g++", "-std=c++11", *SANITIZERS, *warnings, *flags, f"-I{include}", "-x", "c++", "-c", source, "-o", target)
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


def build_board(folder, sketch="standbook_node", *, flags=(), instead=None):
    """Compile a sketch as shipped, with the simulated board of ``firmware_host/shim`` under it; gives the program.

    ``flags`` go to every file; ``instead`` maps names of the sketch's files to files that take their place.
    """
    shim = HOST / "shim"
    folder.mkdir(parents=True, exist_ok=True)
    files = sorted(path for path in (FIRMWARE / sketch).iterdir() if path.suffix in {".c", ".cpp", ".ino"})
    files = [(instead or {}).get(path.name, path) for path in files]
    # Not -Wconversion: the core's own types differ between boards. Not -O1: half the time to compile.
    warnings = (
        "-Wall",
        "-Wextra",
        "-Werror",
        f"-I{shim}",
        f"-I{FIRMWARE / sketch}",
        "-include",
        shim / "Arduino.h",
        "-O0",
    )
    under = folder.parent / "shim.o"  # the same for all boards of a session
    objects = [under if under.is_file() else compile_cpp(shim / "shim.cpp", under, warnings=warnings[:-1])]
    for number, path in enumerate(files):
        target = folder / f"{number}.o"
        if path.suffix == ".c":
            objects.append(compile_c(path, target, flags=flags))
        else:
            objects.append(compile_cpp(path, target, flags=flags, warnings=warnings))
    return link(folder / sketch, *objects, compiler="g++")
