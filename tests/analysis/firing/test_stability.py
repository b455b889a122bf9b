"""The simulated firing with three tones: each line gets its right name, and a clean firing gets none."""

import dataclasses

import pytest

from standbook.analysis.data_frames import curve_table
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.report.content.blocks import Picture, Register, Table, Text
from standbook.analysis.report.content.sentences import OUTCOME_WORDS
from standbook.analysis.report.sections import firing_sections, verdict_section
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.stage import perform
from standbook.analysis.simulation.world import world_of
from standbook.daq.quantity import parse_quantity
from tests.analysis import report_fixture as fixture
from tests.analysis.three_tones import CHUG_HZ, played, with_chug

SPECTRAL = {"chug", "chug-or-stand", "line-unexplained", "combustion-rough", "mains-hum", "aliased", "no-spectra"}


@pytest.fixture(scope="module")
def campaign(hf02_campaign):
    return hf02_campaign


@pytest.fixture(scope="module")
def physics(campaign):
    return perform(world_of(campaign.plan, campaign.stand, Draw(1)), campaign.stand)


@pytest.fixture(scope="module")
def tones(campaign, physics):
    return analyse_static_fire(played(campaign, with_chug(physics)))


def lines(results, channel, name=None):
    return [k for k in results.firing.stability.lines if k.channel == channel and name in (None, k.name)]


def said(results, code):
    return next(f for f in results.findings if f.code == code)


def spectral(results):
    return {f.code for f in results.findings} & SPECTRAL


@pytest.mark.slow
@pytest.mark.parametrize("seed", [4, 5, 6])
def test_a_clean_firing_says_nothing_and_knows_its_stand(campaign, physics, seed):
    results = analyse_static_fire(played(campaign, physics, seed=seed, hum=1.0, slow=False)).results
    assert spectral(results) == set()
    (mode,) = results.firing.stability.lines
    assert (mode.name, mode.channel) == ("stand mode", "LC-1")
    steady = results.firing.stability
    # the simulated chamber's roughness is 0.8 % rms at most, drawn; the sensor adds its noise
    assert 0.004 < steady.rms_share < 0.012
    assert steady.smooth_share == 1.0
    assert steady.highest_frequency == pytest.approx(400.0)
    assert not steady.filter_declared


def test_the_four_lines_are_named_right(tones):
    results = tones.results
    (chug,) = lines(results, "PT-31", "coherent")
    assert chug.frequency_at_end == pytest.approx(CHUG_HZ, abs=0.3)
    assert 14.0 < chug.start < 17.0  # it grows from nothing at T+14 s
    assert 0.04 < chug.amplitude_at_end < 0.09  # 8 % at run-out, half a second after the settled burn ends
    assert chug.amplitude_at_end > 5.0 * chug.amplitude_at_start
    assert chug.coherence > chug.coherence_needed
    assert lines(results, "PT-13", "coherent")
    hum = {round(line.frequency_at_end) for line in lines(results, "PT-31", "mains")}
    assert hum == {60, 180}
    (mode,) = lines(results, "LC-1", "stand mode")
    # 41 Hz full to 46.7 Hz empty; a part is 5 s long and its middle that far from either end
    assert mode.frequency_at_start == pytest.approx(41.0, abs=1.0)
    assert mode.frequency_at_end == pytest.approx(46.0, abs=1.2)
    images = {line.source: line for line in lines(results, "LC-1S")}
    assert {line.name for line in images.values()} == {"alias"}
    assert {round(line.frequency_at_end) for line in images.values()} >= {3, 20}
    (folded_mode,) = (line for source, line in images.items() if "stand mode" in source)
    assert folded_mode.frequency_at_start > folded_mode.frequency_at_end > 32.0  # it falls where the mode rises
    assert any("83 Hz" in source for source in images)
    assert any("60 Hz (mains)" in source for source in images)
    assert any("stand mode" in source for source in images)


def test_the_sentences_name_cause_evidence_and_limit(tones):
    chug, hum, images = (said(tones.results, code) for code in ("chug", "mains-hum", "aliased"))
    assert chug.severity == "caution"
    assert chug.text.startswith("83 Hz in the chamber pressure from T+1")
    assert "PT-" in chug.text
    assert "coherent" in chug.text
    assert "Nothing is claimed above 400 Hz" in chug.text
    assert chug.decided_by
    assert "60 and 180 Hz" in hum.text
    assert "stand's mode" in hum.text
    assert images.channel == "LC-1S"
    assert "20 Hz of 60 Hz (mains)" in images.text
    assert "3 Hz of 83 Hz (chamber and feed)" in images.text
    assert "(stand mode)" in images.text
    assert said(tones.results, "combustion-rough").severity == "caution"
    assert curve_table(tones.curves["spectrum/PT-31"]).index.name == "frequency_hz"
    assert tones.results.worst_outcome in OUTCOME_WORDS


def test_the_report_shows_the_lines_and_the_figure_names_them(tones):
    register = Register.of(tones.results.findings)
    stand = dataclasses.replace(fixture.CONTEXT.stand, thrust_tags=("LC-1",))
    context = dataclasses.replace(fixture.CONTEXT, stand=stand)
    (stability,) = firing_sections.stability(tones.results, tones.curves)
    (masses,) = firing_sections.masses(tones.results)
    (details,) = verdict_section.verdict(tones.results)
    (drawn,) = (block for block in stability.blocks if isinstance(block, Picture))
    for label in ("60 mains", "83 chamber + feed", "3 alias", "20 alias", "stand", "frequency, Hz", "PT-31", "LC-1S"):
        assert label in drawn.svg
    (table,) = (block for block in stability.blocks if isinstance(block, Table))
    what = {row[0]: row[1] for row in table.rows}
    assert what["60 Hz"] == "mains hum"
    assert "coherent to" in what["83 Hz"]
    assert what["3 Hz"] == "alias of 83 Hz (chamber and feed)"
    assert "Nothing is claimed above 400" in " ".join(b.text for b in stability.blocks if isinstance(b, Text))
    routes = [row[0] for block in masses.blocks if isinstance(block, Table) for row in block.rows]
    assert routes == ["scales", "step of the load cell", "flow areas of the plan"]
    assert "kg of both liquids at the same mixture" in " ".join(b.text for b in details.blocks if isinstance(b, Text))
    transients, told = firing_sections.transients(tones.results, context, register)
    blocks = (*transients, *firing_sections.stiffness(tones.results))
    names = [row[0] for block in blocks if isinstance(block, Table) for row in block.rows]
    assert [name for name, _ in told] == ["start"]
    assert {"Delay from T-0 to 10 % thrust", "Overshoot", "Burn time, 5 % to 5 %", "oxidiser", "fuel"} <= set(names)
    older = dataclasses.replace(tones.results, firing=None)  # of an analysis that did not know of them
    assert firing_sections.stability(older, {}) == firing_sections.masses(older) == ()
    assert firing_sections.transients(older, context, register) == ((), ())
    assert firing_sections.stiffness(older) == ()


@pytest.mark.slow
def test_an_oscillation_that_the_feed_does_not_share_is_not_named(campaign, physics):
    alone = with_chug(physics, in_feed=False)
    results = analyse_static_fire(played(campaign, alone, hum=1.0, slow=False)).results
    assert "chug" not in spectral(results)
    (line,) = lines(results, "PT-31")
    assert line.name == "undecided"
    assert "It is not named" in said(results, "line-unexplained").text


@pytest.mark.slow
def test_an_oscillation_where_the_stands_mode_lies_cannot_be_told_from_it(campaign, physics):
    there = with_chug(physics, frequency=45.0)
    results = analyse_static_fire(played(campaign, there, hum=1.0, slow=False)).results
    assert "chug" not in spectral(results)
    assert "cannot tell the two apart" in said(results, "chug-or-stand").text


@pytest.mark.slow
def test_a_declared_filter_limits_what_is_said(campaign, physics):
    corner = parse_quantity("70 Hz", "frequency")
    inputs = tuple(
        item.model_copy(update={"filter_corner": corner}) if item.measures == "chamber pressure" else item
        for item in campaign.stand.input
    )
    stand = campaign.stand.model_copy(update={"input": inputs})
    results = analyse_static_fire(played(campaign, with_chug(physics), hum=1.0, slow=False, stand=stand)).results
    steady = results.firing.stability
    assert steady.filter_declared
    assert steady.highest_frequency == 70.0
    assert lines(results, "PT-31") == []
    assert "chug" not in spectral(results)


@pytest.mark.slow
def test_without_a_faster_channel_an_image_of_the_mains_is_still_suspected(campaign, physics):
    data = played(campaign, physics)
    unhummed = {tag: c for tag, c in played(campaign, physics, hum=0.0).channels.items() if tag != "LC-1S"}
    data = dataclasses.replace(data, channels={**unhummed, "LC-1S": data.channels["LC-1S"]})
    results = analyse_static_fire(data).results
    assert "60 Hz (mains, seen by no faster channel)" in said(results, "aliased").text
