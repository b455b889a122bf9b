"""``predict --card`` and ``lock`` write the pad card; its heading says whether that plan is the locked one."""

import datetime as dt

import pytest

from standbook.cli.main import run
from standbook.cli.starter import write_campaign
from tests.campaign_fixture import edit

pytestmark = pytest.mark.slow


@pytest.fixture
def plan(tmp_path):
    return write_campaign(tmp_path, today=dt.datetime.now().astimezone().date()) / "plans" / "WF-03.toml"


def card_of(plan):
    return (plan.parents[1] / "cards" / "WF-03.html").read_text(encoding="utf-8")


def test_a_draft_a_lock_and_another_plan_than_the_locked_one(plan, capsys, monkeypatch):
    with plan.open("a", encoding="utf-8") as file:
        file.write('\n[[decision]]\ncall = "hold"\nwords = "catch tank not under the outlet"\n')
        file.write('\n[[decision]]\ncall = "abort"\nwords = "anybody inside the fence"\n')
    assert run(["predict", str(plan), "--card"]) == 0
    assert "DRAFT, NOT LOCKED" in card_of(plan)
    assert run(["lock", str(plan)]) == 0
    assert "LOCKED 20" in card_of(plan)
    assert "catch tank not under the outlet" in card_of(plan)
    edit(plan, '"14 s"', '"13 s"')
    capsys.readouterr()
    assert run(["predict", str(plan), "--card", "--paper", "half-letter"]) == 10
    assert "NOT THE LOCKED PLAN" in card_of(plan)
    assert "5.5in 8.5in" in card_of(plan)


def test_a_card_in_other_units_says_what_of_the_plans_words_is_not(plan, capsys):
    with plan.open("a", encoding="utf-8") as file:
        file.write('\n[[decision]]\ncall = "hold"\nwords = "tank above 36 bar(g)"\n')
        file.write('\n[[decision]]\ncall = "abort"\nwords = "anybody inside the fence"\n')
    before = plan.parents[1].joinpath("stand.toml").read_bytes()
    assert run(["lock", str(plan), "--units", "psi,lbf"]) == 0
    assert "psi(g)" in card_of(plan)
    said = capsys.readouterr().out
    assert "REVIEW: a rule keeps its own unit, as typed: tank above 36 bar(g)" in said
    assert run(["predict", str(plan), "--card", "--units", "psi"]) == 10
    assert "LOCKED 20" in card_of(plan)  # what is locked has no unit of display
    assert plan.parents[1].joinpath("stand.toml").read_bytes() == before
    assert run(["predict", str(plan), "--card", "--units", "bar"]) == 0
    assert run(["predict", str(plan), "--card", "--units", "psi,kPa"]) == 2
    assert "psi and kPa are two units of pressure" in capsys.readouterr().err


def test_an_empty_box_ends_with_ten_and_a_paper_nobody_has_is_refused(plan, capsys):
    assert run(["predict", str(plan), "--card"]) == 10
    assert "is empty" in capsys.readouterr().out
    assert run(["predict", str(plan), "--card", "--paper", "a0"]) == 2
    assert "a5 or half-letter" in capsys.readouterr().err
