"""Page one for somebody who reads it for the first time: what decides, what follows from a wrong cell, what is cut."""

import re
from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.content.blocks import Register
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.ruler import deciding_bound, ruler
from standbook.analysis.report.sections.firing_page import FIRING_PAGE
from standbook.analysis.report.sections.page_one import SIGNATORY, TOP_FINDINGS, WHO_SIGNS, page_one
from standbook.daq.findings.finding import Finding
from tests.analysis import report_fixture as fixture

LIMIT = 40_960.0
NAMED = ">bound by chamber pressure<"


def page_of(results, context=fixture.CONTEXT):
    return page_one(results, {}, context, Register.of(results.findings), FIRING_PAGE)


def rows_of(results):
    pairs = (("site", results.impulse), ("vacuum", results.impulse_vacuum))
    return [(place, impulse, results.verdicts[place]) for place, impulse in pairs]


def test_a_raised_bound_says_against_what_from_what_plus_what_and_why():
    results = fixture.raised()
    assert sentences.verdict_sentence("site", results) == (
        "At site ambient the upper bound is 33,980 N·s, not above the limit of 40,960 N·s: chamber pressure plus "
        "3.4 %, as the plan states no contraction ratio or throat material. No check proves the cell: one that "
        "reads 20.8 % low would be over the limit."
    )


def test_the_bound_in_vacuum_is_the_one_at_site_and_the_air_which_no_cell_weighs():
    # By hand: 1 - (32,000 + 400) / (40,960 - 5,000) = 0.0990, rounded down.
    assert sentences.verdict_sentence("vacuum", fixture.raised()) == (
        "Referred to vacuum the upper bound is 39,150 N·s, not above the limit of 40,960 N·s: the 33,980 at site "
        "ambient and about 5,170 that the air took from the thrust. No check proves the cell: one that reads 9.8 % low "
        "would be over the limit."
    )


def test_a_cell_at_the_limit_by_itself_has_no_break_even():
    results = fixture.raised()
    near = replace(results.impulse, expanded=8_970.0)
    said = sentences.verdict_sentence("site", replace(results, impulse=near))
    assert said.endswith("No check proves the cell's own 32,000 ± 9,000 N·s.")


def test_a_raised_bound_over_the_limit_stays_open():
    results = fixture.raised()
    over = replace(results.verdicts["vacuum"], outcome="not shown", upper_bound=41_001.2)
    said = sentences.verdict_sentence("vacuum", replace(results, verdicts={"vacuum": over}))
    assert said.startswith(
        "Referred to vacuum the upper bound is 41,010 N·s, above the limit of 40,960 N·s, so it stays open: chamber "
    )
    assert said.endswith("No check proves the cell's own 37,000 ± 420 N·s.")


def test_a_bound_in_the_words_of_an_older_revision_is_still_named():
    results = fixture.raised()
    old = replace(results.verdicts["site"], raised_by="the chamber pressure with 3.4 % for what nobody said")
    assert sentences.raising_route(old) == "chamber pressure"
    assert sentences.raising_route(results.verdicts["site"]) == "chamber pressure"
    assert sentences.raising_route(replace(old, raised_by="the expelled mass")) == "expelled mass"
    assert sentences.raising_route(replace(old, raised_by="")) == ""


# By hand: 32,000 / (1 - 0.10) = 35,555.6, and 5,000 N·s of air on top, which no cell weighs; with 0.11 40,955.1,
# rounded up to one unit beside so near a limit; with 0.12 41,363.6.
@pytest.mark.parametrize(
    ("share", "said"),
    [
        (
            0.10,
            "10.0 % low might go unnoticed here: the impulse referred to vacuum would then be 40,560 N·s, not over ",
        ),
        (0.11, "referred to vacuum would then be 40,956 N·s, not over "),
        (0.12, "12.0 % low might go unnoticed here: the impulse referred to vacuum would then be 41,370 N·s, over "),
    ],
)
def test_a_cell_that_may_read_low_has_its_consequence_beside_it(share, said):
    text = sentences.checks_sentence(fixture.raised(seen_surely=share))
    assert said in text
    assert "the limit of 40,960 N·s. Check weights before and after" in text


def test_without_a_verdict_in_vacuum_the_consequence_is_that_at_site():
    results = fixture.raised(seen_surely=0.10)
    alone = replace(results, verdicts={"site": results.verdicts["site"]})
    assert "the impulse at site ambient would then be 35,560 N·s, not over the limit" in sentences.checks_sentence(
        alone
    )
    without = sentences.checks_sentence(replace(results, verdicts={}))
    assert "35,560 N·s. Check weights" in without
    assert "limit" not in without


def test_a_cell_of_which_nothing_is_known_has_no_consequence_in_numbers():
    text = sentences.checks_sentence(fixture.raised(seen_surely=1.3))
    assert "up to 130.0 % low might go unnoticed here. Check weights" in text


def test_the_headline_shows_both_impulses_and_which_of_them_decides():
    page = page_of(fixture.raised())
    assert [(big.label, str(big.value)) for big in page.big] == [
        ("Total impulse at site ambient", "32,000 ± 400 N·s"),
        ("Total impulse referred to vacuum", "37,000 ± 420 N·s"),
    ]
    assert page.headline.endswith("Referred to vacuum decides: its upper bound, 39,150 N·s, is the higher.")


def test_one_impulse_alone_decides_without_a_word():
    results = fixture.raised()
    alone = replace(results, verdicts={"site": results.verdicts["site"]})
    assert sentences.deciding_sentence(alone) == ""
    assert len(page_of(alone).big) == 1
    assert sentences.deciding_sentence(fixture.nothing_known()) == ""


def test_an_impulse_in_vacuum_that_is_a_lower_bound_is_called_one():
    results = fixture.lower_bound()
    assert [big.label.rpartition(": ")[2] for big in page_of(results).big] == ["a lower bound"] * 2


def test_the_ruler_names_the_bound_that_decides_in_both_rows():
    results = fixture.raised()
    for narrow in (False, True):
        assert ruler(rows_of(results), narrow=narrow).count(NAMED) == 2


def test_the_ruler_marks_no_bound_within_its_bar_and_none_that_is_withheld():
    plain = fixture.firing()
    assert "bound" not in ruler(rows_of(plain))
    results = fixture.raised()
    withheld = replace(results.verdicts["site"], withheld="two routes disagree")
    assert deciding_bound(results.impulse, withheld) is None
    assert deciding_bound(replace(results.impulse, lower_bound_only=True), results.verdicts["site"]) is None
    assert deciding_bound(results.impulse, results.verdicts["site"]) == 33_977.8
    own = replace(results.verdicts["site"], raised_by="")
    assert ">upper bound<" in ruler([("site", results.impulse, own)])


def test_a_bound_is_rounded_up_to_the_place_of_its_values_uncertainty():
    assert number_format.upper_beside(33_977.8, LIMIT, 381.0) == "33,980"
    assert number_format.upper_beside(33_980.0, LIMIT, 381.0) == "33,980"
    assert number_format.upper_beside(33_901.0, LIMIT, 1_381.0) == "34,000"
    assert number_format.upper_beside(33_977.2, LIMIT, 0.4) == "33,978"
    assert number_format.upper_beside(33_977.2, LIMIT, 99.6) == "33,980"


def test_a_rounded_bound_never_reaches_a_limit_that_it_is_below():
    assert number_format.upper_beside(40_951.3, LIMIT, 381.0) == "40,952"
    assert number_format.upper_beside(40_959.6, LIMIT, 381.0) == "40,959.6"
    assert number_format.upper_beside(40_901.0, LIMIT, 1_381.0) == "40,901"
    assert number_format.upper_beside(40_961.0, LIMIT, 381.0) == "40,970"


def test_a_text_that_does_not_fit_loses_whole_sentences_and_says_where_they_are():
    text = "One thing is so. Another is not. " + "A third is long, " * 5
    assert sentences.shortened(text, len(text), "More: x.") == text
    assert sentences.shortened(text, 60, "More: x.") == "One thing is so. Another is not. More: x."
    assert sentences.shortened(text.replace("so.", "so;", 1), 40, "More: x.") == "One thing is so. More: x."
    cut = sentences.shortened("word " * 30, 40, "More: x.")
    assert cut == "word word word word word \u2026 More: x."
    assert len(cut) <= 40


def test_findings_that_fit_stand_whole_on_page_one():
    text = "Something is off by far. " * 9 + "Do this."
    found = tuple(Finding(code=f"f{k}", severity="caution", channel=None, time=None, text=text) for k in range(9))
    page = page_of(replace(fixture.firing(), findings=found))
    assert [shown for _, _, shown in page.top_findings] == [text] * TOP_FINDINGS
    long = tuple(replace(finding, text=finding.text * 2) for finding in found)
    page = page_of(replace(fixture.firing(), findings=long))
    assert [shown.rpartition("off by far. ")[2] for _, _, shown in page.top_findings] == [
        f"More: finding {number}." for number in (1, 2, 3)
    ]


def test_who_would_sign_is_said_in_a_rehearsal_alone():
    results = fixture.nothing_known()
    assert WHO_SIGNS in fixture.rendered(replace(results, rehearsal=True), {}, fixture.CONTEXT)
    assert WHO_SIGNS not in fixture.rendered(results, {}, fixture.CONTEXT)


def test_the_stylesheet_cuts_no_text():
    sheet = files("standbook.analysis.report").joinpath("templates/style.css").read_text(encoding="utf-8")
    cutting = re.findall(r"([^{}\n]*)\{[^{}]*(?:line-clamp|ellipsis|overflow: hidden)[^{}]*\}", sheet)
    assert cutting == []


def test_a_small_curve_is_averaged_over_what_rings_and_keeps_its_extremes():
    time = np.arange(0.0, 4.0, 0.01)
    ringing = np.where(np.arange(time.size) % 2, 1.0, -1.0)
    at, mean, low, high = style.blocks(time, 5.0 + ringing, 4.0 - ringing, 6.0 + ringing, most=100)
    assert at.size == 100
    np.testing.assert_allclose(mean, 5.0, rtol=1e-12)
    assert (low.min(), high.max()) == (3.0, 7.0)
    assert at[0] == pytest.approx(0.015)


def test_a_small_curve_has_no_block_across_a_gap():
    time = np.concatenate([np.arange(0.0, 1.0, 0.01), np.arange(3.0, 4.03, 0.01)])
    level = np.where(time < 2.0, 0.0, 100.0)
    at, mean, *_ = style.blocks(time, level, level, level, most=50)
    assert set(mean[np.isfinite(mean)]) == {0.0, 100.0}
    assert np.isnan(mean[(at > 1.0) & (at < 3.0)]).all()
    assert np.count_nonzero(np.isnan(mean)) == 1


def test_an_import_says_whose_values_they_are_and_asks_for_a_second_signature():
    results = fixture.firing()
    context = replace(fixture.CONTEXT, imported="flow.csv", vouched_by="instrumentation lead")
    page = page_of(results, context)
    assert page.source == "IMPORTED: values of another logger. Summary for neighbours: page 2"
    assert page.signers == (
        SIGNATORY,
        "Answers for the other logger: instrumentation lead",
        "Witness to the loads",
    )
    assert "by the times in flow.csv" in dict(page.facts)["T-0"]


def test_a_recorded_run_says_so_and_has_two_signers():
    page = page_of(fixture.firing())
    assert page.source == "Recorded by this program. Summary for neighbours: page 2"
    assert page.signers == (SIGNATORY, "Witness to the loads")
    assert "by the recording computer's clock" in dict(page.facts)["T-0"]


def contrast(one, other):
    """Ratio of the luminances of two colours. Source: WCAG 2.2, relative luminance; from memory."""
    levels = []
    for colour in (one, other):
        parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        levels.append(0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2])
    return (max(levels) + 0.05) / (min(levels) + 0.05)


@pytest.mark.parametrize("colour", ["INK", "BLUE", "VERMILION", "GREEN", "GREY", "BAND_EDGE", "ENVELOPE_EDGE", "HATCH"])
def test_lines_and_edges_of_bands_stand_out_from_paper_and_from_the_shaded_window(colour):
    for ground in ("#ffffff", style.SHADE):
        assert contrast(getattr(style, colour), ground) >= 3.0


def test_contrast_of_black_on_white_is_21():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


def fact(results, name, context=fixture.CONTEXT):
    return dict(page_of(results, context).facts)[name]


def test_page_one_says_whether_the_sensors_were_in_date():
    results = fixture.firing()
    used = fixture.CONTEXT.calibrations
    assert fact(results, "Sensors") == (
        f"{used[0].tag} r04 valid 2031-05-30 to 2032-05-30; all {len(used)} calibrations in date"
    )
    late = (replace(used[0], valid_until="2031-06-01"), *used[1:])
    assert fact(results, "Sensors", replace(fixture.CONTEXT, calibrations=late)).endswith(
        f"to 2031-06-01; 1 of {len(used)} calibrations NOT IN DATE"
    )
    assert "Sensors" not in dict(page_of(results, replace(fixture.CONTEXT, calibrations=())).facts)


def test_the_ambient_pressure_is_told_as_the_planned_one():
    assert fact(fixture.firing(), "Ambient").endswith(", as planned")
