"""``ready``: the ranked page of a campaign, its waivers, and a look at the boards."""

import json

import pytest

from standbook.cli.main import run
from standbook.daq.errors import EXIT_FINDINGS, EXIT_USAGE, ConfigError
from tests.bench_board import BenchBoard
from tests.cli.made_run import ended, small_campaign, standbook

WAIVER = """\
plan = "HF-02"
[[waiver]]
fact = "modes of the stand"
ruins = "up to 0.5 % of peak and window"
role = "TC"
reason = "no mallet on site"
at = 2031-06-14T09:20:00+02:00
"""


@pytest.fixture
def plan(tmp_path):
    return small_campaign(tmp_path) / "plans" / "HF-02.toml"


def test_a_campaign_without_sheets_is_told_all_that_is_not_measured(plan, capsys):
    assert run(["ready", str(plan)]) == EXIT_FINDINGS
    told = capsys.readouterr().out
    assert "plan locked and unchanged: DOES NOT HOLD. not locked" in told
    assert "signal of LC-1, PT-11, PT-21, PT-31: NOT MEASURED. not looked at." in " ".join(told.split())
    assert max(len(line) for line in told.splitlines()[:-2]) <= 80  # but for the page's path and the caution
    assert (plan.parent.parent / "ready" / "HF-02.html").exists()
    assert run(["ready", str(plan), "--json"]) == EXIT_FINDINGS
    facts = {fact["name"]: fact for fact in json.loads(capsys.readouterr().out)["facts"]}
    assert facts["signal of PT-11"]["state"] == "not measured"
    losses = [fact["loss"] for fact in facts.values()]
    assert losses == sorted(losses, reverse=True)


@pytest.mark.slow
def test_a_locked_plan_holds_until_it_is_changed(plan, capsys):
    assert run(["lock", str(plan)]) == 0
    for state in ("holds", "does not hold"):
        capsys.readouterr()
        assert run(["ready", str(plan), "--json"]) == EXIT_FINDINGS
        facts = {fact["name"]: fact for fact in json.loads(capsys.readouterr().out)["facts"]}
        assert facts["plan locked and unchanged"]["state"] == state
        plan.write_text(plan.read_text("utf-8") + "\n# changed\n", encoding="utf-8")


def test_a_waiver_is_printed_beside_its_fact_and_one_of_nothing_is_reviewed(plan, capsys):
    folder = plan.parent.parent / "waivers"
    folder.mkdir()
    (folder / "HF-02.toml").write_text(WAIVER, encoding="utf-8")
    assert run(["ready", str(plan)]) == EXIT_FINDINGS
    told = capsys.readouterr().out
    assert "WAIVED by TC: no mallet on site" in told
    assert "1 waived: the crew wrote down" in told
    (folder / "HF-02.toml").write_text(WAIVER.replace("modes of the stand", "modes"), encoding="utf-8")
    assert run(["ready", str(plan)]) == EXIT_FINDINGS
    assert "REVIEW: waiver of modes: no open fact is called so" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (("HF-02", "HF-03"), "for one plan number only"),
        (("09:20:00+02:00", "09:20:00"), "with its zone"),
        (('role = "TC"', 'role = ""'), "nothing stands here"),
    ],
)
def test_a_waiver_that_cannot_be_read_is_refused(plan, capsys, change, sentence):
    folder = plan.parent.parent / "waivers"
    folder.mkdir()
    (folder / "HF-02.toml").write_text(WAIVER.replace(*change), encoding="utf-8")
    assert run(["ready", str(plan)]) == ConfigError.exit_code
    assert sentence in capsys.readouterr().err


def test_a_port_without_a_look_would_be_passed_over(plan, capsys):
    assert run(["ready", str(plan), "--port", "cradle-a=x"]) == EXIT_USAGE
    assert "--port goes with --look" in capsys.readouterr().err


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_a_look_tells_live_channels_from_frozen_ones(plan):
    with BenchBoard().running() as board:
        board.counts[:] = 13_000.0
        board.counts[10] = 26_667.0  # 5 V of supply
        board.counts[0], board.counts[7] = 1000.0, 40_000.0  # PT-31 beyond its converter's end
        asked = ("ready", plan, "--look", "--rehearsal", "--port", f"cradle-a={board.port}", "--json")
        process = standbook(*asked, stdout=-1, stderr=-1)
        with ended(process):
            out, err = process.communicate(timeout=60)
    assert process.returncode == EXIT_FINDINGS, err
    facts = {fact["name"]: fact for fact in json.loads(out)["facts"]}
    assert facts["rows of cradle-a"]["state"] == "holds"
    assert facts["signal of PT-11"]["state"] == "holds"
    # 100 rows/s of 23 bytes on a million baud: the encoder's own frame of one row is 44 bytes
    assert facts["link of cradle-a/fast"]["found"].startswith("fits: 5,450 bytes/s of the 100,000")
    assert facts["signal of PT-31"]["state"] == "does not hold"
    assert "open wire in 100 %" in facts["signal of PT-31"]["found"]  # a ratiometric input at its rail
