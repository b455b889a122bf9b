"""Readiness: a clean stand has nothing open, each fault that is put in stands in the top third with what it ruins."""

import dataclasses
import datetime as dt
import re
import tomllib

import pytest

from standbook.analysis.readiness.campaign_facts import campaign_facts
from standbook.analysis.readiness.campaign_state import CampaignState
from standbook.analysis.readiness.fact import Fact, grouped, ranked, share_lost, with_waivers
from standbook.analysis.readiness.page import group_lines, ready_page, summary
from standbook.daq.config.campaign import read_campaign
from standbook.daq.stand_sheets.check_file import CheckFile
from standbook.daq.stand_sheets.hold_file import HoldFile
from standbook.daq.stand_sheets.load_file import LoadFile
from standbook.daq.stand_sheets.proof_file import ProofFile
from standbook.daq.stand_sheets.tap_file import TapFile
from standbook.daq.stand_sheets.waiver_file import Waiver
from tests.cli.made_run import small_campaign, today

NOW = dt.datetime(2031, 6, 14, 9, 30, tzinfo=dt.UTC)
STAND = "5" * 64
KINDS = [
    ("PT-11", "zero at ambient"), ("PT-21", "zero at ambient"), ("PT-31", "zero at ambient"), ("PT-11", "unit"),
    ("PT-21", "unit"), ("LC-1", "sign"), ("LC-1", "check weight"), ("fire", "T-0"), ("PT-11", "swap"),
    ("PT-12", "twin"), ("PT-11, PT-21", "sag"), ("LC-1", "alignment"), ("PT-11", "gauge span"), ("PT-11", "gauge zero"),
]  # fmt: skip


def check_of(tag, kind, says="agrees"):
    outcome = {"as_found": "x", "says": says, "surely_seen": "x", "sentence": f"{tag}: {kind} {says}"}
    return {"of": {"tag": tag, "kind": kind, "expected": "x"}, "outcome": outcome}


def sheet(**changes):
    values = {
        "plan": "HF-02", "at": NOW - dt.timedelta(minutes=12), "barometer": "97.8 kPa(a)", "journal": "j",
        "stand_sha256": STAND, "check": [check_of(*of) for of in KINDS],
    }  # fmt: skip
    return CheckFile.model_validate(values | changes)


def hold(tank, says="tight"):
    setup = {
        "tank": tank, "gas": "nitrogen", "pressure": "31 bar(g)", "gas_volume": "14.6 L", "settled": "10 min",
        "held": "30 min", "thermometers": 1, "sun": "shade",
    }  # fmt: skip
    result = {"rate": "0 g/min", "detection_limit": "0.04 g/min", "wanted": "0.1 g/min", "says": says, "verdict": says}
    return HoldFile.model_validate({"date": NOW.date(), "run": "r", "setup": setup, "result": result})


def proof(tank, **changes):
    values = {
        "tank": tank, "date": dt.date(2031, 5, 20), "role": "licensed inspector", "code": "the code of the place",
        "liquid": "water", "pressure": "46.5 +/- 0.5 bar(g)", "held": "15 min", "gauge": "G-17, class 1",
        "result": "held", "record": "binder 3, sheet 12",
    }  # fmt: skip
    return ProofFile.model_validate(values | changes)


def loaded(says="agrees"):
    return LoadFile.model_validate(
        {"plan": "HF-02", "at": NOW, "journal": "j", "by_cell": "10 kg", "containers": "10 kg", "says": says}
    )


TAPS = TapFile.model_validate(
    tomllib.loads(
        'date = 2031-06-12\ntag = "LC-1"\njournal = "x"\ntanks = "full"\n[[state]]\nadded = "0 kg"\ntaps = 9\n'
        'modes = [{ frequency = "41 +/- 0.1 Hz", damping = "2 +/- 0.1 %" }]\n'
    )
)


@pytest.fixture(scope="module")
def clean(tmp_path_factory):
    folder = small_campaign(tmp_path_factory.mktemp("ready"))
    campaign = read_campaign(folder / "plans" / "HF-02.toml", today=today())
    return CampaignState(
        plan=campaign.plan,
        stand=campaign.stand,
        calibrations=campaign.calibrations,
        now=NOW,
        stand_sha256=STAND,
        lock="",
        checks=(sheet(),),
        pulls={},
        taps=TAPS,
        holds={tank.name: hold(tank.name) for tank in campaign.plan.tank},
        load=loaded(),
        proofs={tank.name: proof(tank.name) for tank in campaign.plan.tank},
        free=10**12,
        needed=10**9,
    )


def test_a_clean_stand_has_nothing_open(clean):
    facts = ranked(campaign_facts(clean))
    assert [fact.name for fact in facts if fact.is_open] == []
    assert summary(facts) == f"{len(facts)} of {len(facts)} facts hold"


def one_check(tag, kind, says="differs"):
    def change(state):
        changed = [check_of(*of, says if of == (tag, kind) else "agrees") for of in KINDS]
        return dataclasses.replace(state, checks=(sheet(check=changed),))

    return change


def other_serial(state):
    c = state.calibrations["PT-11"].model_copy(update={"sensor_serial": "another"})
    return dataclasses.replace(state, calibrations={**state.calibrations, "PT-11": c})


def small_range(state):
    c = state.calibrations["PT-11"].model_copy(update={"highest": 16.0})
    return dataclasses.replace(state, calibrations={**state.calibrations, "PT-11": c})


def never_pulled(state):
    c = state.calibrations["LC-1"]
    bare = c.model_copy(update={"stand_interaction": type(c.stand_interaction)()})
    return dataclasses.replace(state, calibrations={**state.calibrations, "LC-1": bare})


FAULTS = {
    "sensors swapped": (one_check("PT-11", "swap"), "swap of PT-11"),
    "cell reversed": (one_check("LC-1", "sign"), "sign of LC-1"),
    "unit": (one_check("PT-21", "unit"), "unit of PT-21"),
    "gauge for absolute": (one_check("PT-31", "zero at ambient"), "zero at ambient of PT-31"),
    "zero off": (one_check("PT-11", "zero at ambient"), "zero at ambient of PT-11"),
    "supply sag": (one_check("PT-11, PT-21", "sag"), "sag of PT-11, PT-21"),
    "stiff hose": (one_check("LC-1", "check weight"), "check weight of LC-1"),
    "dead twin": (one_check("PT-12", "twin"), "twin of PT-12"),
    "fire line off": (one_check("fire", "T-0"), "T-0 of fire"),
    "cannot tell": (one_check("PT-11", "unit", "cannot tell"), "unit of PT-11"),
    "wrong file": (other_serial, "serial number of PT-11"),
    "range too small": (small_range, "range of PT-11"),
    "never pulled": (never_pulled, "load path of LC-1"),
    "leak": (
        lambda s: dataclasses.replace(s, holds={**s.holds, "fuel": hold("fuel", "leaks, more")}),
        "leak test of fuel",
    ),
    "not held": (lambda s: dataclasses.replace(s, holds={"fuel": hold("fuel")}), "leak test of oxidiser"),
    "crooked": (one_check("LC-1", "alignment"), "alignment of LC-1"),
    "bent sensor": (one_check("PT-11", "gauge zero"), "gauge zero of PT-11"),
    "no proof": (lambda s: dataclasses.replace(s, proofs={}), "hydrostatic proof of fuel"),
    "proved too low": (
        lambda s: dataclasses.replace(s, proofs={**s.proofs, "fuel": proof("fuel", pressure="30 bar(g)")}),
        "hydrostatic proof of fuel",
    ),
    "leaked at proof": (
        lambda s: dataclasses.replace(s, proofs={**s.proofs, "fuel": proof("fuel", result="leaked")}),
        "hydrostatic proof of fuel",
    ),
    "plan changed": (lambda s: dataclasses.replace(s, lock="changed after locking"), "plan locked and unchanged"),
    "disk full": (lambda s: dataclasses.replace(s, free=10), "disk"),
    "load differs": (lambda s: dataclasses.replace(s, load=loaded("differs")), "load by cell and containers"),
    "not tapped": (lambda s: dataclasses.replace(s, taps=None), "modes of the stand"),
    "wired again": (lambda s: dataclasses.replace(s, stand_sha256="6" * 64), "sign of LC-1"),
    "never checked": (lambda s: dataclasses.replace(s, checks=()), "T-0 of fire"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_is_named_in_the_top_third_with_what_it_ruins(clean, fault):
    change, name = FAULTS[fault]
    facts = ranked(campaign_facts(change(clean)))
    place = [fact.name for fact in facts].index(name)
    assert facts[place].is_open
    assert place < len(facts) / 3.0
    assert facts[place].ruins
    assert facts[place].loss > 0.01


def test_a_waiver_stands_beside_its_fact_and_changes_neither_place_nor_state(clean):
    facts = ranked(campaign_facts(dataclasses.replace(clean, taps=None)))
    waiver = Waiver(fact="modes of the stand", ruins="0.5 %", role="TC", reason="no mallet", at=NOW)
    other = waiver.model_copy(update={"fact": "nothing"})
    found, unused = with_waivers(facts, [waiver, other])
    assert [fact.name for fact in found] == [fact.name for fact in facts]
    (waived,) = [fact for fact in found if fact.waiver is not None]
    assert (waived.name, waived.state) == ("modes of the stand", "not measured")
    assert unused == (other,)
    (group,) = [group for group in grouped(found) if waived in group.facts]
    assert any("WAIVED by TC: no mallet" in line for line in group_lines(group, 1))
    assert summary(found).endswith("1 waived: the crew wrote down that it goes without, and the fact stays open")


def test_a_check_loses_more_the_older_it_is_and_never_more_than_one_that_nobody_made():
    fact = Fact(name="x", state="holds", found="", ruins="", share=1.0, mend="", minutes=1.0, age=1.0)
    ages = [dataclasses.replace(fact, age=age).loss for age in (0.1, 24.0, 240.0, 1e6)]
    assert ages == [0.01, 0.01, 0.1, 0.5]
    assert dataclasses.replace(fact, state="does not hold").loss == 1.0


def test_the_share_that_a_further_uncertainty_loses_is_that_of_its_variance():
    # closed form: 1 - u²/(u² + a²)
    assert share_lost(0.03, 0.04) == pytest.approx(1.0 - 0.03**2 / 0.05**2)
    assert share_lost(0.0, 0.0) == 1.0


def test_the_page_says_no_verdict_and_never_that_word(clean):
    facts = ranked(campaign_facts(dataclasses.replace(clean, taps=None)))
    page = ready_page(facts, (), clean.plan.test, at=NOW, rehearsal=False)
    assert "It is no permission to fire" in page
    assert "safe" not in page.lower().replace("unsafe", "")
    assert page.count("<tr>") == len(facts) + 2  # a head over either table
    assert page.count('<tr class="how">') == 1
    assert "Waivers" not in page
    assert all(len(line) <= 79 for group in grouped(facts) for line in group_lines(group, 1))


def test_facts_that_one_command_answers_stand_together_and_alike_ones_in_one_line(clean):
    facts = ranked(campaign_facts(dataclasses.replace(clean, checks=(), taps=None)))
    groups = grouped([fact for fact in facts if fact.is_open])
    assert [group.mend for group in groups] == ["vented: standbook check", "vented, water in the tanks: standbook tap"]
    assert sum(len(group.facts) for group in groups) == sum(fact.is_open for fact in facts)
    assert groups[0].loss == max(fact.loss for fact in facts)
    lines = " ".join(" ".join(group_lines(groups[0], 1)).split())
    assert lines.startswith(f"1. risk 50 %. vented: standbook check, 10 min. Answers {len(groups[0].facts)} facts.")
    assert "zero at ambient of PT-11, PT-21, PT-31" in lines
    assert lines.count("NOT MEASURED. not checked. Spoils all that they read.") == 1


def test_checks_of_one_kind_share_a_row_of_the_page_and_each_keeps_what_it_would_see(clean):
    said = {"PT-11": "0.319 bar", "PT-21": "0.318 bar", "PT-31": "0.211 bar"}
    done = [
        {"of": {"tag": tag, "kind": "zero at ambient", "expected": "x"}, "outcome": {
            "as_found": "x", "says": "agrees", "surely_seen": "x",
            "sentence": f"{tag}: absolute or gauge agrees: 0.1 mbar; a shift is surely seen from {seen} on",
        }}
        for tag, seen in said.items()
    ]  # fmt: skip
    facts = ranked(campaign_facts(dataclasses.replace(clean, checks=(sheet(check=done),))))
    page = ready_page(facts, (), clean.plan.test, at=NOW, rehearsal=False)
    (row,) = re.findall(
        r"<td>zero at ambient of ([^<]*)</td><td>agree; surely seen from ([^<]*) on</td>", page.replace("\xa0", " ")
    )
    assert {tag: said[tag] for tag in row[0].split(", ")} == said
    assert [said[tag] for tag in row[0].split(", ")] == row[1].split(", ")


def test_a_single_fact_keeps_its_own_ruin(clean):
    facts = ranked(campaign_facts(one_check("PT-21", "unit")(clean)))
    (group,) = grouped([fact for fact in facts if fact.is_open])
    assert "Spoils all that PT-21 reads." in " ".join(" ".join(group_lines(group, 3)).split())
