"""The report's words, its single-file promise, and what it must never show."""

import base64
import re
from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.findings.thrust import NOZZLE_NOT_FULL
from standbook.analysis.report.content import sentences
from standbook.analysis.report.content.blocks import Register, Table
from standbook.analysis.report.content.context import CalibrationUsed, PredictedScalar
from standbook.analysis.report.figures import figures, spectrum_figure, style
from standbook.analysis.report.figures.ruler import ruler
from standbook.analysis.report.render import css_string
from standbook.analysis.report.sections import run_sections
from standbook.analysis.report.sections.firing_page import FIRING_PAGE
from standbook.analysis.report.sections.flow_page import FLOW_PAGE
from standbook.analysis.report.sections.page_one import page_one
from standbook.analysis.report.terminal_summary import terminal_summary
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Verdict
from standbook.daq.findings.finding import Finding
from tests.analysis import report_fixture as fixture
from tests.analysis.report_fixture import rendered
from tests.page_reader import Reader

NAMED = "<b>cell</b> & hose $x$"
SIZE_LIMIT = 1_500_000  # characters: a mail server takes it


@pytest.fixture(scope="module")
def curves():
    return fixture.firing_curves()


@pytest.fixture(scope="module")
def firing(curves):
    return rendered(fixture.firing(), curves, fixture.CONTEXT)


@pytest.fixture(scope="module")
def water():
    return rendered(*fixture.water_flow())


def test_the_sentences_of_a_firing_within_its_limit():
    results = fixture.firing()
    said = [sentences.verdict_sentence(place, results) for place in results.verdicts]
    said += [
        sentences.impulse_words(results.impulse),
        sentences.headline(results),
        sentences.prediction_sentence(results, fixture.CONTEXT),
        sentences.findings_count(results.findings),
        sentences.probability_sentence(results.verdicts["site"]),
        sentences.guard_sentence(fixture.CONTEXT),
    ]
    assert said == [
        "At site ambient the 95 % one-sided upper bound is 33,156 N·s, not above the limit of 40,960 N·s.",
        "Referred to vacuum the 95 % one-sided upper bound is 38,272 N·s, not above the limit of 40,960 N·s.",
        "32,780 ± 460 N·s, k = 2",
        "Thrust summed over T+0.00 s to T+21.30 s; about 95 % coverage.",
        "Prediction locked on 2031-06-13 18:02:44 UTC, before T-0.",
        "Cautions and serious findings: 2 (0 serious, 2 cautions).",
        "Probability within the limit, if the cell reads true and its stated uncertainty holds: more than 99.9 %.",
        "95 % one-sided: within only if the upper bound is at or below the limit",
    ]


def test_the_sentences_of_a_firing_on_the_line():
    results = fixture.not_shown()
    assert [sentences.verdict_sentence(place, results) for place in results.verdicts] == [
        "At site ambient the 95 % one-sided upper bound is 41,143 N·s, above the limit of 40,960 N·s, "
        "so it stays open.",
        "Referred to vacuum even the 95 % one-sided lower bound, 47,267 N·s, reaches the limit of 40,960 N·s.",
    ]


def test_the_sentences_of_a_lower_bound():
    results = fixture.lower_bound()
    assert sentences.verdict_sentence("site", results) == (
        "At site ambient impulse was hidden from the record: the result is a lower bound and shows no upper one."
    )
    assert sentences.headline(results) == ("Recorded part, T+0.00 s to T+21.30 s; the true total may be higher.")
    assert sentences.findings_count(results.findings) == "Cautions and serious findings: 3 (1 serious, 2 cautions)."


def test_the_sentences_when_nothing_is_known():
    results = fixture.nothing_known()
    assert sentences.verdict_sentence("site", results) == (
        "At site ambient the impulse is not known, so nothing is shown about the limit of 40,960 N·s."
    )
    assert sentences.headline(results) == "Total impulse: not known."
    assert sentences.prediction_sentence(results, fixture.CONTEXT).startswith("Not locked before T-0")
    undecided = Verdict(
        outcome="not shown",
        limit=40960.0,
        limit_name="a limit",
        guard_share=0.95,
        upper_bound=None,
        lower_bound=None,
        probability_within=None,
        reason="The cell is not believed",
    )
    assert sentences.verdict_sentence("site", replace(fixture.firing(), verdicts={"site": undecided})) == (
        "At site ambient nothing is shown about the limit of 40,960 N·s. The cell is not believed."
    )


def test_counts_of_findings_use_singular_and_plural():
    note = Finding(code="a", severity="note", channel=None, time=None, text="t")
    assert sentences.findings_count([]) == "No caution and no serious finding (0 notes)."
    assert sentences.findings_count([note]) == "No caution and no serious finding (1 note)."
    assert sentences.findings_count([replace(note, severity="caution")]) == (
        "Cautions and serious findings: 1 (0 serious, 1 caution)."
    )


def test_no_sentence_calls_anything_by_the_word_that_is_banned(firing, water):
    for page in (firing, water):
        assert re.search(r"\bsafe\b", Reader(page).text, re.IGNORECASE) is None


@pytest.mark.parametrize("which", ["firing", "water"])
def test_the_page_needs_nothing_from_outside_and_runs_nothing(which, request):
    page = request.getfixturevalue(which)
    reader = Reader(page)
    assert not {"script", "link", "iframe", "img", "object", "embed"} & set(reader.tags)
    assert "http" not in page
    assert "@import" not in page
    assert all(value.startswith("#") for name, value in reader.attributes if name in ("href", "src") and value)
    assert re.findall(r'url\((?!#|"data:image/svg)', page) == []
    assert not [name for name, _ in reader.attributes if name.startswith("on")]


@pytest.mark.parametrize("which", ["firing", "water"])
def test_identifiers_are_unique_and_links_arrive(which, request):
    page = request.getfixturevalue(which)
    attributes = Reader(page).attributes
    ids = [value for name, value in attributes if name == "id"]
    assert len(ids) == len(set(ids))
    wanted = {value[1:] for name, value in attributes if name == "href"} | set(re.findall(r"url\(#([^)]+)\)", page))
    assert wanted <= set(ids)
    assert len(wanted) > 20


@pytest.mark.slow
def test_the_page_is_small_and_the_same_every_time(firing, curves):
    assert len(firing) < SIZE_LIMIT
    assert rendered(fixture.firing(), curves, fixture.CONTEXT) == firing


def test_figures_keep_their_text_as_text(firing):
    words = Reader(firing).text
    for label in ("thrust, N", "limit 40,960 N·s", "pressure, bar(a)", "time after T-0, s", "predicted 95 % band"):
        assert label in words


def test_a_firing_shows_every_section_in_order(firing):
    titles = re.findall(r"<h2>([^<]+)</h2>", firing)
    assert titles == [
        "Summary for neighbours",
        "Findings",
        "Thrust",
        "Impulse and uncertainty budget",
        "Verdict in detail",
        "Tanks",
        "Engine",
        "Prediction against record",
        "Data quality",
        "Calibrations",
        "Plan, loads and people",
        "How to compute it again",
        "Files and hashes",
        "Cautions",
        "Appendix: notes",
    ]


def test_every_section_opens_with_a_sentence(firing, water):
    for page in (firing, water):
        assert page.count('<p class="lead">') == page.count("<h2>")


def test_page_one_holds_what_a_signatory_must_see(firing):
    sheet = Reader(firing[firing.index('id="page-one"') : firing.index('class="evidence"')]).text
    for said in (
        "Teasel-2",
        "2031-06-14_HF-02",
        "32,780 ± 460 N·s",
        "k = 2",
        "7,370 lbf·s",
        "Within",
        "14 CFR 101.22 Class 2: 40,960 N·s",
        "more than 99.9 %",
        "does not bound the next",
        "Prediction Locked on 2031-06-13 18:02:44 UTC",
        "Cautions and serious findings: 2",
        "nozzle down, tanks on the load",
        "10.66 kg (u = 0.10 kg) oxidiser and 7.030 kg (u = 0.040 kg) fuel: liquid oxygen",
        "standbook 0.1.0",
        "2031-06-14 15:02:11 UTC",
        fixture.SHA,
        "Signatory",
        "Witness to the loads",
        "95 % one-sided",
        "no reading on this page is authority",
    ):
        assert said in sheet, said


def test_a_water_flow_has_no_verdict_and_no_impulse(water):
    sheet = Reader(water[water.index('id="page-one"') : water.index('class="evidence"')]).text
    for said in ("16.18 ± 0.12 mm²", "1.312 ± 0.022", "1.402 ± 0.032 at the start", "9.242 ± 0.040 kg", "98 %"):
        assert said in sheet, said
    assert 'class="verdict ' not in water
    assert "N·s" not in Reader(water).text
    assert "Impulse and uncertainty budget" not in water


def test_a_rehearsal_is_watermarked_and_never_signed():
    results, context = fixture.rehearsal()
    assert context.signature_allowed
    page = rendered(results, {}, context)
    assert 'body class="rehearsal"' in page
    mark = base64.b64decode(re.search(r'--mark: url\("data:image/svg\+xml;base64,([^"]+)"\)', page)[1]).decode()
    assert "<path" in mark
    assert "<text" not in mark
    assert "@top-center" in page.split("</style>")[0].rpartition("@page")[2]
    assert "There is nothing to sign" in page
    assert "Signatory" not in page


def test_a_real_run_has_no_watermark_and_is_signed_only_when_allowed(firing):
    assert "REHEARSAL" not in firing
    assert "Signatory" in firing
    page = rendered(fixture.firing(), {}, replace(fixture.CONTEXT, signature_allowed=False))
    assert "Signatory" not in page
    assert "Not offered for signature." in page


@pytest.mark.parametrize(
    ("results", "words"),
    [
        (fixture.firing(), ["Within", "Within"]),
        (fixture.not_shown(), ["Not shown", "Exceeds"]),
        (fixture.lower_bound(), ["Not shown", "Not shown"]),
    ],
)
def test_verdicts_stand_in_words(results, words):
    page = rendered(results, {}, fixture.CONTEXT)
    assert re.findall(r'<p class="word">([^<]+)</p>', page) == words


def test_a_lower_bound_is_named_one_and_shows_no_share_of_the_limit():
    page = rendered(fixture.lower_bound(), {}, fixture.CONTEXT)
    assert "Recorded part of the impulse: a lower bound" in page
    assert "of the limit." not in page[: page.index('class="evidence"')]
    text = Reader(page).text
    assert "T+0.150 s T+2.250 s 2.1 s 2,100" in text
    assert "lower bound only" in text


@pytest.mark.slow
def test_a_share_of_the_limit_never_stands_beside_a_class_letter():
    base = fixture.firing()
    for name, shown in (("14 CFR 101.22 Class 2", True), ("class O", False), ("our own limit, O", False)):
        verdicts = {place: replace(verdict, limit_name=name) for place, verdict in base.verdicts.items()}
        page = rendered(replace(base, verdicts=verdicts), {}, fixture.CONTEXT)
        assert ("% of the limit</p>" in page) is shown, name


def test_what_is_not_known_points_at_the_finding_that_says_why():
    page = rendered(fixture.nothing_known(), {}, fixture.CONTEXT)
    text = Reader(page).text
    assert 'not known (<a href="#finding-1">finding 1</a>)' in page  # thrust
    assert "CdA, from weighed mass not known ( finding 2 )" in text  # the tank's own channel
    assert "T-0 not known ( finding 3 )" in text  # the whole run
    assert "Not locked before T-0" in text
    assert "not known (no finding says why)" not in text


def test_a_gap_in_the_findings_is_said_not_hidden():
    page = rendered(replace(fixture.nothing_known(), findings=()), {}, fixture.CONTEXT)
    assert "not known (no finding says why)" in page
    assert "Nothing was found that needs a person" in page


def test_findings_are_ranked_and_numbered():
    register = Register.of(fixture.lower_bound().findings)
    assert [finding.severity for finding in register.findings] == ["serious", "caution", "caution", "note"]
    assert str(register.why("PT-31")) == 'not known (<a href="#finding-3">finding 3</a>)'


@pytest.mark.slow
def test_text_from_files_is_shown_literally(curves):
    nasty = '<script>alert(1)</script> & "quoted" </style>'
    results = replace(
        fixture.firing(),
        article=nasty,
        run=nasty,
        findings=(Finding(code="x", severity="serious", channel=nasty, time=None, text=nasty),),
        events=(replace(fixture.firing().events[0], name=nasty, method=nasty),),
    )
    plan = replace(fixture.PLAN, objective=nasty, load_control=nasty)
    context = replace(fixture.CONTEXT, plan=plan, command=f"standbook analyse {nasty}", deviations=(nasty,))
    page = rendered(results, curves, context)
    reader = Reader(page)
    assert "script" not in reader.tags
    assert page.count("</style>") == 1
    assert reader.text.count("alert(1)") >= 8
    assert "&lt;script&gt;alert(1)&lt;/script&gt; &amp; &#34;quoted&#34;" in page


def test_names_in_figures_are_escaped_and_taken_literally():
    curve = Curve(np.array([0.0, 1.0]), {"density": np.array([1.0, 2.0])}, "1/Hz^0.5")
    steady = replace(fixture.STEADY, channel=NAMED)
    svg = spectrum_figure.spectrum({f"spectrum/{NAMED}": curve}, steady, headline=NAMED)
    assert "&lt;b&gt;cell&lt;/b&gt; &amp; hose $x$</text>" in svg
    assert 'aria-label="Spectra of chamber pressure and other channels with named peaks: &lt;b&gt;cell' in svg


def test_a_name_in_the_stylesheet_cannot_leave_its_string():
    assert css_string('a"}\n') == '"a\\000022\\00007d\\00000a"'


def test_commands_keep_their_plain_spaces():
    page = rendered(fixture.firing(), {}, replace(fixture.CONTEXT, command="standbook x --wait 5 s"))
    assert "<pre>standbook x --wait 5 s</pre>" in page


@pytest.mark.slow
def test_a_rehearsal_in_fast_motion_says_whose_clock_its_date_is_by():
    real = Reader(rendered(fixture.firing(), {}, fixture.CONTEXT)).text
    fast = Reader(rendered(fixture.firing(), {}, replace(fixture.CONTEXT, time_scale=10.0))).text
    assert "by the recording computer's clock" in real
    assert "by a clock 10 times as fast as the recording computer's" in fast


def test_an_out_of_date_calibration_is_named():
    late = CalibrationUsed(
        tag="LC-1",
        revision="r03",
        sensor="cell",
        serial="7",
        date="2029-01-01",
        valid_until="2030-01-01",
        slope_u=0.0,
        zero_u=0.0,
        lowest=0.0,
        highest=5000.0,
        reading_unit="N",
    )
    page = rendered(fixture.firing(), {}, replace(fixture.CONTEXT, calibrations=(late,)))
    assert "2030-01-01 NOT IN DATE" in Reader(page).text
    assert page.count("not stated") >= 2


def test_a_sensor_made_to_a_standard_shows_its_class_in_place_of_a_slope():
    cell = CalibrationUsed(
        tag="TC-11",
        revision="r01",
        sensor="Pt100",
        serial="7",
        date="2031-01-01",
        valid_until="2032-01-01",
        slope_u=0.0,
        zero_u=0.0,
        lowest=-196.0,
        highest=100.0,
        reading_unit="degC",
    )
    said = replace(cell, tolerance="IEC 60751, class B")
    page = Reader(rendered(fixture.firing(), {}, replace(fixture.CONTEXT, calibrations=(said,)))).text
    assert "2032-01-01 IEC 60751, class B not stated −196 to 100 °C" in page


def test_many_gaps_are_cut_and_counted():
    health = replace(fixture.HEALTH, gaps=(fixture.Gap(1.0, 1.1, 0.1, 100),) * 30)
    page = rendered(replace(fixture.firing(), record={"cradle-a/fast": health}), {}, fixture.CONTEXT)
    assert "The first 12 of 30 gaps." in page
    assert Reader(page).text.count("T+1.000 s T+1.100 s") == 12


@pytest.mark.slow
def test_curves_of_nothing_but_holes_still_draw():
    time = np.linspace(0.0, 1.0, 50)
    empty = np.full(50, np.nan)
    curves = {
        "thrust": Curve(time, {"low": empty, "mean": empty, "high": empty}, "N"),
        "cumulative impulse": Curve(time, {"value": empty}, "N*s"),
        "injector stiffness": Curve(time, {"oxidiser": empty}, "1"),
    }
    assert (
        rendered(fixture.firing(), curves, fixture.CONTEXT).count("<svg") == 6
    )  # two rulers and the thumbnail besides


def test_an_unknown_vacuum_impulse_is_said_beside_a_known_one():
    base = fixture.firing()
    context = replace(fixture.CONTEXT, predicted=(replace(fixture.CONTEXT.predicted[0], measured=None),))
    said = Finding(
        code="no-area", severity="caution", channel="LC-1", time=None, text="The nozzle's exit area is not known."
    )
    page = rendered(replace(base, impulse_vacuum=None, findings=(said,)), {}, context)
    text = Reader(page).text
    assert "Referred to vacuum not known ( finding 1 )" in text
    assert "31,600 to 36,200 not known" in text


@pytest.mark.slow
def test_a_vacuum_impulse_of_a_nozzle_not_full_is_marked_wherever_it_stands():
    base = fixture.firing()
    said = NOZZLE_NOT_FULL.at("PT-31", share_percent=40.0, separates_percent=45.0, least_bar=17.0, expansion_ratio=6.0)
    pages = [
        Reader(rendered(replace(base, findings=found), {}, fixture.CONTEXT)).text
        for found in ((*base.findings, said), base.findings)
    ]
    assert [page.count("Referred to vacuum, an upper bound") for page in pages] == [2, 0]  # verdict, table
    assert not any("site ambient, an upper bound" in page for page in pages)


def test_a_short_gap_says_how_much_it_may_hide():
    text = Reader(rendered(fixture.not_shown(), {}, fixture.CONTEXT)).text
    assert text.count("up to 61 N·s") == 2


def test_a_flow_without_its_tank_still_has_a_page_one():
    results, _, context = fixture.water_flow()
    said = Finding(
        code="no-pressure", severity="serious", channel=None, time=None, text="No tank pressure was recorded."
    )
    text = Reader(rendered(replace(results, tanks={}, comparison={}, findings=(said,)), {}, context)).text
    assert "No tank was analysed." in text
    assert "CdA not known ( finding 1 )" in text
    assert "No prediction to compare with." in text


def test_a_flow_whose_fit_failed_says_so():
    results, _, context = fixture.water_flow()
    tank = fixture.nothing_known().tanks["oxidiser"]
    said = Finding(
        code="fit-failed", severity="serious", channel="oxidiser", time=None, text="The pressure never fell."
    )
    text = Reader(rendered(replace(results, tanks={"oxidiser": tank}, findings=(said,)), {}, context)).text
    assert "Flow area CdA not known ( finding 1 )" in text
    assert "Exponent not known ( finding 1 )" in text
    assert "(window not known)" in text


@pytest.mark.slow
def test_figures_draw_what_there_is_and_no_more():
    curves = fixture.firing_curves()
    bare = {
        name: Curve(curve.time[:40], {"mean": curve.columns["mean"][:40]}, curve.unit)
        for name, curve in curves.items()
        if "mean" in curve.columns
    }
    assert ">predicted<" not in figures.tank_pressure(bare, "fuel", None)
    assert ">weight correction<" not in figures.load_cell(bare, None)
    assert "measured" in figures.first_pressure(bare, "fuel", None)
    assert ">limit" not in figures.cumulative_impulse(curves, None)
    assert figures.chamber_pressure({}, None) is None
    assert figures.ullage(curves, "none") is None
    assert ruler(()) is None
    one = {"ullage/fuel": Curve(curves["ullage/fuel"].time, dict(list(curves["ullage/fuel"].columns.items())[:2]), "1")}
    assert ">fit<" not in figures.ullage(one, "fuel")


@pytest.mark.parametrize(
    ("value", "u", "words"),
    [(10.0, 0.1, "inside"), (10.25, 0.1, "at the edge"), (9.85, 0.1, "at the edge"), (10.5, 0.1, "OUTSIDE")],
)
def test_a_number_beyond_its_band_by_less_than_its_own_doubt_is_at_the_edge(value, u, words):
    item = PredictedScalar(
        name="Tank pressure at start", nominal=10.0, low=9.9, high=10.1, unit="bar", measured=Measured(value, u, "bar")
    )
    context = replace(fixture.CONTEXT, predicted=(item,))
    section = run_sections.comparison(fixture.firing(), context, Register.of(()))
    rows = [row for block in section.blocks if isinstance(block, Table) for row in block.rows]
    assert rows[-1][-1] == words


def test_a_withheld_number_is_not_given_a_coverage():
    withheld = Verdict(
        outcome="not shown",
        limit=40960.0,
        limit_name="a limit",
        guard_share=0.95,
        upper_bound=None,
        lower_bound=None,
        probability_within=None,
        reason="The cell is not believed",
    )
    results = replace(fixture.firing(), verdicts={"site": withheld})
    assert "95 %" in sentences.headline(fixture.firing())
    assert sentences.headline(results).endswith("not to be used as it is, the findings say why.")
    page = page_one(results, fixture.firing_curves(), fixture.CONTEXT, Register.of(()), FIRING_PAGE)
    assert page.wide is None
    assert page.verdicts[0].share == ""


def test_no_line_is_drawn_across_a_gap_of_the_record():
    time = np.concatenate([np.arange(0.0, 1.0, 0.01), np.arange(3.0, 5.0, 0.01)])
    drawn, column = style.thin(time, np.ones(time.size), most=100)
    inside = (drawn > 1.0) & (drawn < 3.0)
    assert np.count_nonzero(inside) == 1
    assert np.isnan(column[inside]).all()
    assert np.count_nonzero(np.isnan(column)) == 1
    whole, _ = style.thin(np.arange(0.0, 5.0, 0.01), np.ones(500), most=100)
    assert whole.size == 100


def test_a_flow_with_a_serious_finding_claims_no_coverage():
    results, curves, context = fixture.water_flow()
    wrong = Finding(
        code="gauge-as-absolute",
        severity="serious",
        channel="PT-11",
        time=None,
        text="A gauge sensor is described as absolute.",
    )
    assert (
        "about 95 % coverage" in page_one(results, curves, context, Register.of(results.findings), FLOW_PAGE).headline
    )
    doubted = replace(results, findings=(wrong,))
    headline = page_one(doubted, curves, context, Register.of(doubted.findings), FLOW_PAGE).headline
    assert headline.endswith("not to be used as it is, the findings say why.")


def test_the_quick_look_calls_a_lower_bound_a_recorded_part():
    lines = list(terminal_summary(fixture.lower_bound()))
    assert any(line.startswith("Recorded part of the impulse ") for line in lines)
    assert not any(line.startswith("Total impulse ") for line in lines)


@pytest.mark.slow
def test_what_a_fit_does_not_have_is_said_before_what_it_has():
    results, curves, context = fixture.water_flow()
    name, tank = next(iter(results.tanks.items()))
    doubted = replace(tank, facts={"the amounts agree": True, "valve closed before run-out": False})
    text = Reader(rendered(replace(results, tanks={name: doubted}), curves, context)).text
    assert "Conditions not met valve closed before run-out Conditions met the amounts agree" in text
