"""The pad card: bands as the live screen has them, rounded outward; rules as typed; what is missing is an empty box."""

from dataclasses import replace

import pytest

from standbook.analysis.pad_card.card import NOTHING, card_times, outward, pad_card
from standbook.analysis.pad_card.page import pad_card_page
from standbook.analysis.prediction.live_bands import live_bands
from standbook.daq.config.plan import Decision, read_plan
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import in_unit

HEADING = "LOCKED 2031-06-14 09:12 UTC 16f535f0"


@pytest.fixture
def made(hf02_campaign, hf02_prediction):
    c = hf02_campaign
    return pad_card(c.plan, c.stand, c.calibrations, hf02_prediction, heading=HEADING)


def ends(text):
    low, _, high = text.replace(",", "").partition("\N{EN DASH}")
    return float(low), float(high or low)


def test_every_band_holds_that_of_the_live_screen_and_is_hardly_wider(made, hf02_campaign, hf02_prediction):
    c = hf02_campaign
    screen = live_bands(hf02_prediction, c.stand, c.calibrations)
    times = card_times(c.plan, hf02_prediction)
    assert len(made.rows) == 4
    for row in made.rows:
        scale, step = (1.0, 10.0) if row.unit == "N" else (1e5, 0.1)
        for time, text in zip(times, row.bands[1:], strict=True):
            low, high = (edge / scale for edge in screen(row.tags.split(", ")[0], time))
            shown = ends(text)
            assert low - step < shown[0] <= low + 1e-6
            assert high - 1e-6 <= shown[1] < high + step


@pytest.mark.parametrize(("pressure", "force", "steps"), [("psi", "lbf", (1.0, 1.0)), ("kPa", "kN", (10.0, 0.01))])
def test_a_card_in_other_units_holds_the_same_bands_and_one_unit_of_each(
    hf02_campaign, hf02_prediction, pressure, force, steps
):
    c = hf02_campaign
    stand = c.stand.shown_in({"pressure": pressure, "force": force, "mass": "lb"})
    card = pad_card(c.plan, stand, c.calibrations, hf02_prediction, heading=HEADING)
    screen = live_bands(hf02_prediction, c.stand, c.calibrations)
    assert {row.unit for row in card.rows} == {f"{pressure}(g)", force}
    for row in card.rows:
        step = steps[row.unit == force]
        for time, text in zip(card_times(c.plan, hf02_prediction), row.bands[1:], strict=True):
            low, high = (in_unit(edge, row.unit) for edge in screen(row.tags.split(", ")[0], time))
            shown = ends(text)
            assert low - step < shown[0] <= low + 1e-6
            assert high - 1e-6 <= shown[1] < high + step
    page = pad_card_page(card).replace("\N{NO-BREAK SPACE}", " ")
    assert ("bar" in page.replace("barometer", "")) == bool(card.foreign)  # only in the plan's own words
    assert card.foreign == ("a tank pair differs by more than 0.5 bar",)
    assert f'<span class="box"></span> {force}</span>' in page
    assert '<span class="box"></span> lb</span>' in page
    assert " kg" not in page
    assert "Limit 40,960 N·s" in page  # the class is in N·s under every choice
    assert ("(9,208 lbf·s)" in page) == (force == "lbf")  # 40,960 over 4.448 222


def test_typed_limits_and_loads_are_shown_in_the_cards_unit(hf02_campaign, hf02_prediction):
    c = hf02_campaign
    card = pad_card(
        c.plan, c.stand.shown_in({"pressure": "psi", "mass": "lb"}), c.calibrations, hf02_prediction, heading=HEADING
    )
    # by hand: 5 bar is 72.52 psi, 40 bar 580.2 psi, 36 bar 522.1 psi, 10.66 kg 23.50 lb
    assert card.rules["abort"] == ("NO LIGHT: PT-31 below 72.52 psi(g) from T+0.8 s",)
    assert card.vessels[0] == "oxidiser: nameplate 580.2 psi(g), relief 522.1 psi(g); load 23.50 +/- 0.22 lb"


def test_the_last_time_is_a_whole_second_before_the_earliest_end(made, hf02_campaign, hf02_prediction):
    times = card_times(hf02_campaign.plan, hf02_prediction)
    earliest = hf02_prediction.scalars["burn time"].low
    assert times[0] == 2.0
    assert earliest - 1.0 < times[-1] <= earliest
    assert len(times) == 4
    assert made.times[0] == "before T-0"


@pytest.mark.parametrize(
    ("band", "step", "words"),
    [
        ((19.21, 21.04), 0.1, ("19.2", "21.1")),
        ((2213.0, 2481.0), 10.0, ("2,210", "2,490")),
        ((0.0, 0.0), 0.1, ("0.0", "0.0")),
    ],
)
def test_a_band_is_rounded_outward(band, step, words):
    assert outward(*band, step) == words


def test_rules_are_the_plans_words_and_the_limits_of_its_redlines(made):
    assert made.rules["hold"] == (
        "a tank pair differs by more than 0.5 bar",
        "a band is left before T-0; link or disk alarm",
    )
    assert made.rules["abort"] == ("NO LIGHT: PT-31 below 5 bar(g) from T+0.8 s",)
    assert made.rules["repeat"][0] == "LC-1, PT-11, PT-21, PT-31 not all there"
    assert not made.is_incomplete


def test_without_rules_the_box_is_empty_to_write_in(hf02_campaign, hf02_prediction):
    c = hf02_campaign
    bare = c.plan.model_copy(update={"decision": (), "redline": ()})
    card = pad_card(bare, c.stand, c.calibrations, hf02_prediction, heading=HEADING)
    assert card.is_incomplete
    page = pad_card_page(card)
    assert page.count("none in the plan") == 2
    assert page.count('class="line"') == 6


def test_what_is_not_predicted_is_no_number(hf02_campaign, hf02_prediction):
    c = hf02_campaign
    bare = replace(hf02_prediction, quantities={})
    card = pad_card(c.plan, c.stand, c.calibrations, bare, heading=HEADING)
    assert {text for row in card.rows for text in row.bands[1:]} == {NOTHING}


def test_a_water_flow_has_no_chamber_no_thrust_and_no_limit(wf03_campaign, wf03_prediction):
    c = wf03_campaign
    card = pad_card(c.plan, c.stand, c.calibrations, wf03_prediction, heading=HEADING)
    assert [row.label for row in card.rows] == ["oxidiser tank"]
    said = " ".join(card.sentences)
    assert "Limit" not in said
    assert "Caught 7.5" in said  # 7.56 to 8.59 kg: 9.34 kg aboard, closed after 14 s


def test_the_page_names_the_lock_and_whose_reading_counts(made):
    page = pad_card_page(made, rehearsal=True)
    assert "16f535f0" in page
    assert "REHEARSAL" in page
    assert "never authority to approach" in page
    assert "<script" not in page


@pytest.mark.parametrize(
    ("table", "words"),
    [
        ('call = "hold"\nwords = ""', "needs words"),
        (f'call = "abort"\nwords = "{61 * "x"}"', "the pad card holds 60"),
        ('call = "abort"\nredline = "no such"', "a redline that is not there: no such"),
        ('call = "scrub"\nwords = "x"', "decision"),
    ],
)
def test_a_rule_that_cannot_be_printed_is_refused(hf02_campaign, tmp_path, table, words):
    text = hf02_campaign.plan_path.read_text(encoding="utf-8")
    path = tmp_path / "HF-02.toml"
    path.write_text(f"{text}\n[[decision]]\n{table}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=words):
        read_plan(path)


def test_six_rules_are_the_most(hf02_campaign, tmp_path):
    text = hf02_campaign.plan_path.read_text(encoding="utf-8")
    path = tmp_path / "HF-02.toml"
    path.write_text(text + 4 * '\n[[decision]]\ncall = "hold"\nwords = "x"\n', encoding="utf-8")
    with pytest.raises(ConfigError, match="decision"):
        read_plan(path)
    assert Decision(call="hold", words="x").redline is None
