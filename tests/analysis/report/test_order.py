"""What stands where in the evidence, what is said once, and what a neighbour reads."""

import re
from dataclasses import replace

import pytest

from standbook.analysis.findings.causes import EXPONENT_MOVED
from standbook.analysis.findings.channels import DEVICE_NOTE, NO_CALIBRATION
from standbook.analysis.findings.prediction import OUTSIDE_BAND
from standbook.analysis.report.content.blocks import Register, bar
from standbook.analysis.report.sections.findings_sections import ONE_CAUSE, appendix, grouped, merged_text
from standbook.analysis.report.sections.firing_page import FIRING_PAGE
from standbook.analysis.report.sections.flow_page import FLOW_PAGE
from standbook.analysis.report.sections.hold_page import HOLD_PAGE
from standbook.analysis.report.sections.record_sections import changes
from standbook.daq.findings.finding import Finding
from tests.analysis import report_fixture as fixture
from tests.page_reader import Reader


def outside(name, *, severity="caution"):
    return OUTSIDE_BAND.at(
        None,
        1.7,
        severity=severity,
        sentence_name=name,
        band="the locked 95 % band",
        share_in_band_percent=0.0,
        part="burn",
        worst_departure=1.5,
        suspects="the exponents",
    )


def note(channel):
    return NO_CALIBRATION.at(channel)


def moved():
    return EXPONENT_MOVED["oxidiser"].at(
        "oxidiser", place=1, considered=6, standing="rather than the next", what="the exponent", decide="measure it"
    )


def test_departures_stand_with_the_assumption_that_explains_them():
    groups = grouped(Register.of((moved(), outside("Oxidiser tank pressure"), outside("Thrust", severity="note"))))
    assert [group.heading for group in groups] == [ONE_CAUSE]
    assert sorted(number for number, _ in groups[0].members) == [1, 2, 3]
    assert groups[0].rank == "caution"


def test_departures_without_a_cause_are_merged_by_their_kind_alone():
    groups = grouped(Register.of((outside("Oxidiser tank pressure"), outside("Thrust"), note("PT-13"))))
    assert [(len(group.members), group.heading) for group in groups] == [(2, ""), (1, "")]


def test_notes_of_channels_that_say_the_same_are_one_sentence():
    notes = [note(tag) for tag in ("LC-1", "PT-13", "PT-23")]
    assert merged_text(notes).startswith("LC-1, PT-13, PT-23: ")
    assert merged_text(notes).count("recorded in counts only") == 1


def test_what_findings_of_a_kind_end_with_is_said_once():
    text = merged_text([outside("Oxidiser tank pressure"), outside("Thrust")])
    assert text.count("One of the assumptions behind the band is off") == 1
    assert text.count("lay inside the locked 95 % band") == 2
    assert text.index("Oxidiser") < text.index("Thrust")


def test_two_findings_of_one_word_keep_what_each_of_them_says():
    same = [Finding(code="x", severity="note", channel=tag, time=None, text="It fell.") for tag in ("a", "b")]
    assert merged_text(same) == "a, b: It fell."
    alone = [Finding(code="x", severity="note", channel=None, time=None, text="It fell. Look.")]
    assert merged_text(alone) == "It fell. Look."


def test_cautions_stand_first_and_notes_in_the_appendix_link_messages_last():
    said = DEVICE_NOTE.at(None, 2.0, severity="note", name="cradle-a", note_text="opened")
    results = replace(fixture.firing(), findings=(said, note("PT-13"), outside("Thrust")))
    page = fixture.rendered(results, {}, fixture.CONTEXT)
    findings = page[page.index('id="findings"') : page.index('id="thrust"')]
    assert "lay inside" in findings
    assert "counts only" not in findings
    assert "2 notes stand in the appendix." in Reader(findings).text
    notes = Reader(page[page.index('id="notes"') :]).text
    assert notes.index("counts only") < notes.index("opened")
    assert "T+2.00 s" in notes
    ids = re.findall(r'id="finding-(\d+)"', page)
    assert sorted(ids) == ["1", "2", "3"]


def test_without_notes_there_is_no_appendix():
    assert appendix(Register.of((outside("Thrust"),))) == ()


FORBIDDEN = re.compile(r"\bsafe|\bpass", re.IGNORECASE)


@pytest.mark.parametrize(
    ("results", "said"),
    [
        (fixture.firing(), "was not over the limit of 40,960 N·s"),
        (fixture.not_shown(), "was over the limit of 40,960 N·s"),  # referred to vacuum
        (fixture.lower_bound(), "does not show whether its total impulse was over the limit of 40,960 N·s"),
        (fixture.nothing_known(), "does not show whether its total impulse was over the limit of 40,960 N·s"),
    ],
)
def test_the_neighbours_sentence_says_what_the_record_shows_of_the_limit(results, said):
    sentences = FIRING_PAGE.summary(results, fixture.CONTEXT)
    assert len(sentences) == 3
    assert said in sentences[1]
    assert FORBIDDEN.search(" ".join(sentences)) is None


def test_a_firing_without_a_limit_says_that_none_was_set():
    plan = replace(fixture.PLAN, limit=None)
    told = FIRING_PAGE.summary(replace(fixture.firing(), verdicts={}), replace(fixture.CONTEXT, plan=plan))
    assert told[1] == "No limit was set for its total impulse."


def test_the_neighbours_sentences_say_what_happened_and_when_thrust_ended():
    ended = (*fixture.firing().events, replace(fixture.firing().events[0], name="end of thrust", time=19.9))
    happened, _, over = FIRING_PAGE.summary(replace(fixture.firing(), events=ended), fixture.CONTEXT)
    assert happened == "In the run 2031-06-14_HF-02 one rocket motor, Teasel-2, was on the stand; it burned for 19.4 s."
    assert over.startswith("Thrust ended 19.9 s after T-0, when the tanks still held about 14.7 bar(a) (oxidiser) and ")
    assert over.endswith("whether they are vented since, this report does not say: ask the crew.")


def test_a_rehearsal_tells_the_neighbours_that_nothing_was_fired():
    told = FIRING_PAGE.summary(replace(fixture.firing(), rehearsal=True), fixture.CONTEXT)
    assert "nothing was fired" in told[0]


def test_nothing_known_is_told_as_that():
    happened, _, over = FIRING_PAGE.summary(fixture.nothing_known(), fixture.CONTEXT)
    assert "does not say whether it burned" in happened
    assert over.startswith("The record does not say when thrust ended; ")


def test_a_flow_and_a_hold_have_three_sentences_too():
    results, _, context = fixture.water_flow()
    told = FLOW_PAGE.summary(results, context)
    assert "9.242 kg of" in told[0]
    assert "vented since" in told[2]
    assert "does not say what pressure was left" in FLOW_PAGE.summary(replace(results, tanks={}), context)[2]
    held = HOLD_PAGE.summary(results, context)
    assert "no hold was shown" in held[0]
    assert FORBIDDEN.search(" ".join((*told, *held))) is None


def test_the_run_before_is_held_against_this_one():
    (section,) = changes(replace(fixture.CONTEXT, earlier=fixture.EARLIER))
    row = section.blocks[0].rows[0]
    assert row[:6] == ("total impulse, site", "32,310 N·s", "32,780 N·s", "+470 N·s", "220 N·s", "changed")
    assert section.blocks[1].rows == (("plan: tank[fuel].liquid_load 6.90 kg -> 7.03 kg",),)
    assert fixture.EARLIER.name in section.lead


def test_a_run_like_the_one_before_says_that_nothing_was_changed():
    bare = replace(fixture.EARLIER, differences=(), changes=())
    (section,) = changes(replace(fixture.CONTEXT, earlier=bare))
    assert [block.text.partition(" ")[0] for block in section.blocks] == ["No", "Nothing"]
    assert changes(fixture.CONTEXT) == ()


def test_a_share_is_drawn_behind_its_number():
    assert bar(0.655, "66 %") == '<span class="bar" style="--share: 66%"></span>\u200766\u00a0%'


@pytest.mark.slow
def test_every_figure_has_a_number_a_sentence_and_words_to_be_read_aloud():
    results = fixture.firing()
    named = (replace(results.events[0], name=f"thrust {which}") for which in ("start", "stop"))
    results = replace(results, events=(*results.events, *named))
    page = fixture.rendered(results, fixture.firing_curves() | fixture.full_rate_windows(), fixture.CONTEXT)
    captions = re.findall(r"<figcaption><strong>Figure (\d+)\.</strong> (.*?)</figcaption>", page)
    assert [int(number) for number, _ in captions] == list(range(1, len(captions) + 1))
    assert len(captions) == 11
    assert [text for _, text in captions if "look" in text] == [], "a caption tells what is seen"
    silent = [text for _, text in captions if not re.search(r"\d", re.sub(r"[A-Z]{2}-\d+|95 %", "", text))]
    assert [text.split()[0] for text in silent] == ["Thrust"], "its numbers stand in the table below"
    aloud = re.findall(r'aria-label="([^"]*)"', page[page.index('class="evidence"') :])
    assert len(aloud) == len(captions)
    assert [text for text in aloud if not re.search(r": .*\d", text)] == []
