"""``standbook rehearse --fault``: refused in a sentence, or said in words before it happens."""

import signal
import subprocess

import pytest

from standbook.cli.main import run
from standbook.daq.rehearsal.fault_catalogue import FAULTS
from standbook.daq.rehearsal.played_checks import STAND_FAULTS
from tests.cli.made_run import ended, small_campaign, standbook


@pytest.fixture
def plan(tmp_path):
    return small_campaign(tmp_path) / "plans/WF-03.toml"


@pytest.mark.parametrize(
    ("fault", "told"), [("sunburn", "there are dropped-bytes"), ("unplug@5", "--link"), ("stall@x", "not a number")]
)
def test_a_fault_that_cannot_be_is_refused_before_anything_is_computed(plan, capsys, fault, told):
    assert run(["rehearse", str(plan), "--fault", fault]) == 2
    said = capsys.readouterr()
    assert told in said.err
    assert "Computing" not in said.out


def test_faults_are_listed_without_a_plan(capsys):
    assert run(["rehearse", "--faults"]) == 0
    listed = capsys.readouterr().out
    assert [name for name in FAULTS if name not in listed] == []
    of_a_stand = [line.strip() for line in listed.partition("Of a stand, with --check:\n")[2].splitlines()]
    assert of_a_stand[0] == "swapped: the first sensors of two tanks are swapped"
    assert [line.partition(":")[0] for line in of_a_stand] == list(STAND_FAULTS)


@pytest.mark.slow
def test_what_will_go_wrong_is_said_and_the_link_is_there_meanwhile(plan, tmp_path):
    link = tmp_path / "port"
    wanted = ("--fault", "unplug@5:2", "--fault", "frozen-line=PT-11@7")
    stand = standbook("rehearse", plan, "--link", link, *wanted, stdout=subprocess.PIPE)
    with ended(stand):
        said = []
        for line in stand.stdout:
            said.append(line.strip())
            if "In a second terminal" in line:
                break
        assert link.is_symlink()
        assert said[-1].endswith(f"--port cradle-a={link}")
        told = [line for line in said if line.startswith("FAULT: ")]
        assert told[0].startswith("FAULT: unplug at T+5.00 s for 2 s: the port comes back under another name")
        assert told[1] == "FAULT: PT-11 stands still from T+7.00 s to the end, as behind a frozen sense line."
        stand.send_signal(signal.SIGTERM)
        assert stand.wait(30.0) == 0
    assert not link.is_symlink()
