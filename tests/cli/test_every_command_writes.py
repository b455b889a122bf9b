"""Whatever write of whatever command the disk refuses: a sentence, the right exit code, nothing torn, nothing lost.

A sample of the writes; ``python -m tests.studies.every_write`` refuses each of them for each reason.
"""

import shutil

import pytest

from tests.every_write import COMMANDS, said, walk
from tests.refusing_disk import Disk
from tests.repository import ROOT

# How many writes are passed over, so that all takes some seconds.
STEPS = {"record": 9, "bench": 9, "recover": 5, "recover --into": 29, "fill": 7, "import": 25, "new": 13}
RUNS = ROOT / "sample_runs" / "teasel-2" / "runs"


@pytest.mark.slow
@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_whose_write_is_refused_says_so_and_leaves_nothing_torn(tmp_path, name):
    assert walk(COMMANDS[name], tmp_path, step=STEPS.get(name, 3)) >= 5


@pytest.mark.slow
def test_commands_that_only_answer_ask_nothing_of_the_disk(tmp_path, monkeypatch):
    shutil.copytree(ROOT / "sample_runs" / "teasel-2", tmp_path / "teasel-2")
    flow = next((tmp_path / "teasel-2" / "runs").glob("*WF-04*"))
    plan = tmp_path / "teasel-2" / "plans" / "WF-04.toml"
    disk = Disk(monkeypatch, tmp_path, refuses_from=1)
    for line in (["predict", plan], ["carry", flow, "--to", plan], ["verify", flow], ["guide", "recovering"]):
        code, out, err = said(*map(str, line))
        assert code in (0, 10), err
        assert out
    assert disk.asked == 0
