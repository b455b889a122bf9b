"""From a sealed run that took a check of the angle along to the impulse: the number, its u, and whose check counts."""

import dataclasses
import math

import pytest

from standbook.analysis.analyse import analyse_run
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.story import rehearse
from standbook.daq.config.campaign import STAND_FILE
from standbook.daq.storage.manifest import sha256_of, verify
from tests.recorded_run import starter
from tests.rehearsed_run import lock, recorded

HIDDEN, HIDDEN_U = 5e-3, 5e-4  # of every force, as the check reads it
TYPED = math.radians(1.0)  # in the starter's calibration: put back as of a half-normal angle
SHEET = """\
plan = "HF-02"
at = 2031-06-14T09:20:00Z
barometer = "97.8 +/- 0.15 kPa(a)"
journal = "2031-06-14_HF-02_check"
stand_sha256 = "{stand}"
rehearsal = {rehearsal}
[[check]]
of = {{ tag = "LC-1", kind = "alignment", expected = "0 %" }}
outcome = {{ as_found = "0.50 +/- 0.05 %", says = "differs", surely_seen = "0.3 %", sentence = "alignment differs" }}
"""


@pytest.fixture(scope="module")
def runs(tmp_path_factory):
    """One firing, recorded without a check, after one on this stand, and after one of a stand that was another."""
    campaign = starter(tmp_path_factory.mktemp("checked"))
    made_up = dataclasses.replace(rehearse(campaign, Draw(3)), weighings={})
    lock(campaign, samples=60)
    folder = campaign.folder / "checks"
    folder.mkdir()
    found = {"unchecked": recorded(campaign, made_up, number=1)}
    stand = sha256_of(campaign.folder / STAND_FILE)
    for number, (name, of) in enumerate((("checked", stand), ("other stand", "0" * 64)), start=2):
        sheet = folder / f"2031-06-14_HF-02{'' if number == 2 else f'_{number}'}.toml"
        sheet.write_text(SHEET.format(stand=of, rehearsal="true"), encoding="utf-8")
        found[name] = recorded(campaign, made_up, number=number)
    return found


@pytest.fixture(scope="module")
def results(runs):
    return {name: analyse_run(run, software="standbook test")[1] for name, run in runs.items()}


def term(results):
    (found,) = [one for one in results.impulse.budget if one.source == "alignment"]
    return found.u


@pytest.mark.slow
def test_the_run_takes_the_newest_check_of_its_plan_along_under_its_seal(runs):
    taken = {name: [file for file in verify(run).files if file.startswith("checks/")] for name, run in runs.items()}
    assert taken == {
        "unchecked": [],
        "checked": ["checks/2031-06-14_HF-02.toml"],
        "other stand": ["checks/2031-06-14_HF-02_3.toml"],
    }


@pytest.mark.slow
def test_what_the_angle_hides_is_put_back_and_its_u_takes_the_place_of_the_typed_one(results):
    before, after = results["unchecked"], results["checked"]
    # by hand: a cell that reads F (1 - hidden) is divided by that; of a half-normal angle s²/2 was put back before
    raised = 1.0 / (1.0 - HIDDEN) / (1.0 + TYPED**2 / 2.0)
    assert after.impulse.value / before.impulse.value == pytest.approx(raised, abs=2e-5)
    assert term(before) == pytest.approx(before.impulse.value * math.sqrt(2.0) * TYPED**2 / 2.0, rel=1e-3)
    assert term(after) == pytest.approx(after.impulse.value * HIDDEN_U, rel=1e-3)
    rest = math.sqrt(before.impulse.u**2 - term(before) ** 2) / before.impulse.value
    assert after.impulse.u == pytest.approx(math.hypot(rest * after.impulse.value, term(after)), rel=2e-3)


@pytest.mark.slow
def test_a_check_of_a_stand_that_was_changed_since_moves_nothing(results):
    assert results["other stand"].impulse == results["unchecked"].impulse
