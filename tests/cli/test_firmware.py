"""The firmware copied out of the program: every file, the version in it, nothing written over; it builds as it is."""

import pytest

from standbook.cli.main import run as command
from standbook.daq.software import version
from tests.emulator.toolchain import FLASH_BYTES, build_sketch, require_tools
from tests.repository import ROOT

SOURCES = ROOT / "daq/firmware"


@pytest.mark.parametrize(("options", "name"), [((), "standbook_node"), (("--lines",), "standbook_lines")])
def test_every_file_is_copied_and_only_the_version_is_changed(tmp_path, capsys, options, name):
    assert command(["firmware", str(tmp_path / "teasel-2"), *options]) == 0
    place = tmp_path / "teasel-2" / name
    assert sorted(p.name for p in place.iterdir()) == sorted(p.name for p in (SOURCES / name).iterdir())
    for copy in place.iterdir():
        text = copy.read_text(encoding="utf-8").replace(f"+{version()}", "")
        assert text == (SOURCES / name / copy.name).read_text(encoding="utf-8"), copy.name
    out = capsys.readouterr().out
    assert f"Flash {place / name}.ino" in out
    assert "Next: standbook guide board" in out


def test_the_version_says_which_program_it_came_from(tmp_path):
    command(["firmware", str(tmp_path)])
    config = (tmp_path / "standbook_node/node_config.h").read_text(encoding="utf-8")
    assert f'#define NODE_FIRMWARE "1.0.0+{version()}"' in config


def test_what_is_there_is_never_written_over(tmp_path, capsys):
    place = tmp_path / "standbook_node"
    place.mkdir()
    assert command(["firmware", str(tmp_path)]) == 3
    assert f"{place}: exists already; nothing was written" in capsys.readouterr().err
    assert list(place.iterdir()) == []


@pytest.mark.slow
@pytest.mark.parametrize(("options", "name"), [((), "standbook_node"), (("--lines",), "standbook_lines")])
def test_what_was_copied_builds_unchanged(tmp_path, options, name):
    require_tools()
    command(["firmware", str(tmp_path / "copied"), *options])
    binary = build_sketch(name, tmp_path / "built" / name, among=tmp_path / "copied")
    assert binary.warnings == ()
    assert 0 < binary.flash_bytes < FLASH_BYTES
