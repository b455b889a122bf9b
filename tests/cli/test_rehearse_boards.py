"""A stand with several boards rehearsed at once: a port for each, one beginning, faults where they belong."""

import json
import re
import signal
import subprocess

import pytest

from standbook.cli.main import run
from tests.campaign_fixture import edit
from tests.cli.made_run import PATIENCE, ended, small_campaign, standbook, until

pytestmark = pytest.mark.xdist_group("real_time")

SECOND = '\n[[device]]\nname = "cradle-b"\nserial = "0008"\nclock_tolerance = "50 ppm"\n'
TEXT = """
[[device]]
name = "logger"
format = "text lines"
[device.text_lines]
columns = ["t", "tc"]
clock = "t"
clock_hz = 1000.0
"""


@pytest.fixture
def campaign(tmp_path):
    return small_campaign(tmp_path)


def moved(campaign, device, text, *tags):
    """Give the stand another board, and inputs to it."""
    stand = campaign / "stand.toml"
    stand.write_text(stand.read_text(encoding="utf-8") + text, encoding="utf-8")
    for tag in tags:
        words = stand.read_text(encoding="utf-8")
        start = words.rindex("[[input]]", 0, words.index(f'tag = "{tag}"'))
        end = words.index(f'tag = "{tag}"')
        stand.write_text(
            words[:start] + words[start:end].replace('"cradle-a"', f'"{device}"') + words[end:], encoding="utf-8"
        )


@pytest.mark.slow
def test_two_boards_play_at_once_and_are_recorded_aligned_on_the_line_that_both_see(campaign, tmp_path):
    moved(campaign, "cradle-b", SECOND, "PT-12", "PT-22", "PT-32")
    plan, link = campaign / "plans/WF-03.toml", tmp_path / "port"
    faults = ("--fault", "frozen-line=PT-12@5", "--fault", "brown-out@3:1")
    stand = standbook("rehearse", plan, "--link", link, "--time-scale", 4, *faults, stdout=subprocess.PIPE)
    with ended(stand):
        ports = [
            until(lambda name=name: p if (p := tmp_path / f"port-{name}").is_symlink() else None, "the link")
            for name in ("cradle-a", "cradle-b")
        ]
        options = [word for port in ports for word in ("--port", f"{port.name.removeprefix('port-')}={port}")]
        recorder = standbook(
            "record",
            plan,
            "--postdiction",
            "--rehearsal",
            "--no-analysis",
            *options,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        with ended(recorder):
            out, err = recorder.communicate(timeout=2 * PATIENCE)
            said, _ = stand.communicate(timeout=PATIENCE)
    assert recorder.returncode == 10, err  # the brown-out
    assert "aligned with cradle-a on" in out
    record = json.loads(next(campaign.glob("runs/*/record.json")).read_text(encoding="utf-8"))
    for device in ("cradle-a", "cradle-b"):
        sent = sum(int(rows.replace(",", "")) for rows in re.findall(rf"{device}: stream 1: ([\d,]+) rows sent", said))
        streams = record["devices"][device]["streams"]
        assert sum(stream["rows"] for stream in streams.values()) == sent > 10_000
    assert record["devices"]["cradle-a"]["boots"] == 2
    assert record["devices"]["cradle-b"]["boots"] == 1
    assert not any(port.is_symlink() for port in ports)


@pytest.mark.slow
def test_a_text_board_is_left_out_with_a_word(campaign, tmp_path):
    moved(campaign, "logger", TEXT, "TC-11")
    edit(campaign / "stand.toml", 'wire = "adc9"', 'wire = "tc"')
    stand = standbook("rehearse", campaign / "plans/WF-03.toml", "--link", tmp_path / "port", stdout=subprocess.PIPE)
    with ended(stand):
        said = []
        for line in stand.stdout:
            said.append(line.strip())
            if "In a second terminal" in line:
                break
        stand.send_signal(signal.SIGTERM)
        assert stand.wait(PATIENCE) == 0
    assert any(line.startswith("logger prints text lines, which a rehearsal does not play") for line in said)
    assert said[-1].endswith(f"--port cradle-a={tmp_path / 'port'}")


def test_a_stand_of_text_boards_alone_is_refused(campaign, capsys):
    columns = ", ".join(f'"adc{number}"' for number in range(11))
    edit(campaign / "stand.toml", 'format = "wire 1"', 'format = "text lines"')
    edit(campaign / "stand.toml", 'clock_tolerance = "50 ppm"', f"[device.text_lines]\ncolumns = [{columns}]\n#")
    assert run(["rehearse", str(campaign / "plans/WF-03.toml")]) == 3
    assert "no board of the stand speaks wire 1, and a rehearsal plays no text lines" in capsys.readouterr().err
