"""A hold from counts to verdict, page and file; the truth is written out by hand (tests/pressure_hold.py)."""

import datetime as dt
import tomllib

import numpy as np
import pytest

from standbook.analysis.dataset.dataset import RawStream, dataset_from_counts
from standbook.analysis.kinds.pressure_hold import analyse_pressure_hold
from standbook.analysis.report.content.blocks import Register
from standbook.analysis.report.sections.hold_page import HOLD_PAGE
from standbook.analysis.stand_sheets.hold_text import hold_text
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.stand_sheets.hold_file import HoldFile
from tests.campaign_fixture import TODAY, campaign
from tests.pressure_hold import plan_in, played

LEAK = 5e-3 / 60.0  # kg/s


def analysed(place, rate, **options):
    noted = read_campaign(plan_in(campaign(place), **options), today=TODAY)
    (stream,) = played(noted, rate).streams
    tags = {item.wire: item.tag for item in noted.stand.input}
    counts = {tags[wire.name]: stream.counts[:, k].astype(np.int64) for k, wire in enumerate(stream.channels)}
    rails = {tags[wire.name]: Rails(wire.minimum, wire.maximum) for wire in stream.channels}
    time = np.arange(stream.rows) / 100.0
    raw = {"cradle-a/fast": RawStream(time, counts, rails)}
    return analyse_pressure_hold(dataset_from_counts(noted.plan, noted.stand, noted.calibrations, raw))


@pytest.fixture(scope="module")
def leaking(tmp_path_factory):
    return analysed(tmp_path_factory.mktemp("leak"), LEAK)


def test_the_rate_is_the_truth_s_and_the_verdict_follows(leaking):
    hold = leaking.results.holds["oxidiser"]
    assert hold.rate.value == pytest.approx(LEAK, abs=max(3.0 * hold.rate.u, 0.02 * LEAK))  # the truth's gas is ideal
    assert hold.says == "leaks, more"
    assert hold.thermometers == 1
    assert hold.window[0] == pytest.approx(85.0, abs=8.0)
    assert {finding.code for finding in leaking.results.findings if finding.severity != "note"} == {"hold-leaks"}


def test_the_page_says_rate_doubt_and_what_it_does_not_cover(leaking):
    results, register = leaking.results, Register.of(leaking.results.findings)
    (big,) = HOLD_PAGE.big(results, None, register)
    assert "g/min" in big.value
    assert "leaks, more than 0.1 g/min" in HOLD_PAGE.headline(results)
    assert any(name == "Held, oxidiser" for name, _ in HOLD_PAGE.facts(results, None, register))
    (section,) = HOLD_PAGE.sections(results, leaking.curves, None, register)
    assert [block.kind for block in section.blocks] == ["columns"]
    for narrow in (False, True):
        assert HOLD_PAGE.wide(results, leaking.curves, narrow).startswith("<svg")
    assert "no proof of strength" in HOLD_PAGE.not_covered


def test_the_file_reads_back_with_rate_and_limit(leaking):
    hold = leaking.results.holds["oxidiser"]
    text = hold_text("oxidiser", hold, date=dt.date(2031, 6, 13), run="r", rehearsal=True)
    found = HoldFile.model_validate(tomllib.loads(text))
    assert found.result.says == "leaks, more"
    assert found.result.wanted == "0.1 g/min"
    assert float(found.result.rate.split()[0]) == pytest.approx(6e4 * hold.rate.value, rel=1e-3)


@pytest.mark.slow
def test_without_a_thermometer_no_rate_is_claimed(tmp_path):
    bare = analysed(tmp_path / "bare", LEAK, thermometer=False)
    hold = bare.results.holds["oxidiser"]
    assert (hold.says, hold.rate, hold.detection_limit) == ("cannot tell", None, None)
    (big,) = HOLD_PAGE.big(bare.results, None, Register.of(bare.results.findings))
    assert "not known" in big.value
    assert 'rate = "not known"' in hold_text("oxidiser", hold, date=dt.date(2031, 6, 13), run="r", rehearsal=True)


def test_a_record_that_ends_before_it_has_settled_shows_nothing(tmp_path):
    none = analysed(tmp_path / "none", LEAK, settle="7 min")
    assert none.results.holds == {}
    register = Register.of(none.results.findings)
    assert HOLD_PAGE.headline(none.results) == "No hold was shown."
    assert "not known" in HOLD_PAGE.big(none.results, None, register)[0].value
    assert HOLD_PAGE.wide(none.results, none.curves, False) is None
    assert [block.kind for block in HOLD_PAGE.sections(none.results, {}, None, register)[0].blocks] == ["text"]
