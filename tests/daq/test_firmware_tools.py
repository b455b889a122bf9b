"""Tools of the firmware's tests: where they are missing the tests say what to install, and in CI they may not be."""

import os
import subprocess
import sys

import pytest

from tests.emulator.toolchain import TOOLS
from tests.firmware_tools import PACKAGES, REQUIRED, require
from tests.repository import ROOT


def test_what_is_there_is_no_reason_to_skip(monkeypatch):
    monkeypatch.setenv(REQUIRED, "1")
    require("/bin/sh")


@pytest.fixture
def nothing(monkeypatch, tmp_path):
    """No program is found."""
    monkeypatch.setenv("PATH", str(tmp_path))


@pytest.mark.usefixtures("nothing")
def test_without_a_tool_the_tests_skip_and_say_what_to_install(monkeypatch):
    monkeypatch.delenv(REQUIRED, raising=False)
    with pytest.raises(pytest.skip.Exception) as skipped:
        require("avr-gcc", "arduino-builder")
    assert str(skipped.value).endswith("install with: apt-get install -y gcc-avr avr-libc arduino-builder")


@pytest.mark.usefixtures("nothing")
def test_where_they_must_run_a_missing_tool_is_a_failure(monkeypatch):
    monkeypatch.setenv(REQUIRED, "1")
    with pytest.raises(pytest.fail.Exception, match=r"avr-gcc not found; install with: .*must run"):
        require("avr-gcc")


@pytest.mark.slow
@pytest.mark.parametrize("must_run", [False, True])
def test_the_emulated_tests_themselves_do_so(tmp_path, must_run):
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "--no-cov",
        "-k",
        "fits_its_chip",
        "tests/daq/test_firmware_emulated.py",
    ]
    environment = {**os.environ, "PATH": str(tmp_path), REQUIRED: "1" if must_run else ""}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == (1 if must_run else 0), done.stdout + done.stderr
    assert ("1 error" if must_run else "1 skipped") in done.stdout
    assert "apt-get install -y gcc libc6-dev gcc-avr" in done.stdout


def test_ci_installs_them_and_requires_them():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert f"export {REQUIRED}=1" in lines
    named = {name for line in lines if line.startswith("packages") for name in line.partition('"')[2][:-1].split()}
    # avr-size comes with the compiler.
    assert {name for told in PACKAGES.values() for name in told.split()} - {"binutils-avr"} <= named
    assert set(TOOLS) <= set(PACKAGES)
