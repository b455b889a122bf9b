"""Tools of the firmware's tests: where they are missing the tests say what to install, and in CI they may not be."""

from pathlib import Path

import pytest

from tests.emulator.toolchain import INSTALL, PACKAGES, REQUIRED, ROOT, demand, missing


def test_a_missing_tool_is_named():
    header = Path("/nowhere/at/all.h")
    found = missing(("avr-gcc", "sh"), (header,), lambda name: None if name == "avr-gcc" else name)
    assert found == ["avr-gcc", str(header)]
    assert missing(("sh",), (Path(__file__),), lambda name: name) == []


def test_without_a_tool_the_tests_skip_and_say_what_to_install():
    with pytest.raises(pytest.skip.Exception) as skipped:
        demand(["avr-gcc"], {})
    assert "firmware tools are missing (avr-gcc); on Debian: apt-get install gcc " in str(skipped.value)
    assert str(skipped.value).endswith(INSTALL)
    demand([], {})


def test_where_they_are_required_a_missing_tool_is_a_failure():
    with pytest.raises(pytest.fail.Exception, match=r"avr-gcc.*no reason to skip"):
        demand(["avr-gcc"], {REQUIRED: "1"})
    demand([], {REQUIRED: "1"})


def test_ci_installs_them_and_requires_them():
    lines = (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()
    assert f"export {REQUIRED}=1" in lines
    (named,) = [line.partition('"')[2].split() for line in lines if line.startswith('packages+=" gcc ')]
    assert [name.strip('"') for name in named] == list(PACKAGES)
