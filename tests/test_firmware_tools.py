"""A missing tool skips with the line that installs it, and fails where the firmware must be tested."""

import pytest

from tests.firmware_tools import PACKAGES, REQUIRED, require


@pytest.fixture
def nothing_installed(monkeypatch, tmp_path):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.delenv(REQUIRED, raising=False)


@pytest.mark.usefixtures("nothing_installed")
def test_a_missing_tool_skips_with_the_line_that_installs_it():
    expected = r"^avr-gcc, gcc not found; install with: apt-get install -y gcc-avr avr-libc gcc libc6-dev$"
    with pytest.raises(pytest.skip.Exception, match=expected):
        require("avr-gcc", "gcc")


@pytest.mark.usefixtures("nothing_installed")
def test_a_missing_tool_fails_where_the_firmware_must_be_tested(monkeypatch):
    monkeypatch.setenv(REQUIRED, "1")
    with pytest.raises(pytest.fail.Exception, match=r"g\+\+ not found; install with: apt-get install -y g\+\+"):
        require("g++")


def test_tools_that_are_there_pass(monkeypatch, tmp_path):
    (tmp_path / "gcc").write_text("")
    (tmp_path / "gcc").chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv(REQUIRED, "1")
    assert "gcc" in PACKAGES
    require("gcc")
