"""``standbook calibrate``: from a readings sheet to a calibration that reads back, and every sheet it refuses."""

import datetime as dt
import json
import math
import re

import numpy as np
import pytest

from standbook.cli.main import run
from standbook.cli.starter import write_campaign
from standbook.daq.config.calibration import read_calibration
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError
from tests.cli.test_commands import FETCHED
from tests.readings_sheets import GAUGE, JUGS, WATER, cell_sheet, pressure_sheet, write_sheet

TODAY = dt.datetime.now().astimezone().date()


@pytest.fixture
def campaign(tmp_path):
    return write_campaign(tmp_path, today=TODAY)


def calibrated(capsys, sheet, *options, code=0):
    """Run the command; return what it printed."""
    capsys.readouterr()
    assert run(["calibrate", str(sheet), *options]) == code, capsys.readouterr().err
    return capsys.readouterr().out


def made(campaign, name="PT-11_r03"):
    return read_calibration(campaign / "calibrations" / f"{name}.toml")


def test_a_sheet_becomes_the_next_revision_with_its_page(capsys, campaign):
    said = calibrated(capsys, write_sheet(campaign, pressure_sheet()))
    assert said.startswith("PT-11 r03: straight line through 33 readings of 3 runs; at 59.97 bar(g) u = ")
    assert "agrees with r02" in said
    assert "Surely seen by the next sheet with G-17: a span that moved by 0.20 %" in said
    found = made(campaign)
    assert (found.sheet, found.fit.degree, found.found.runs) == (f"readings/PT-11_{TODAY}.toml", 1, 3)
    assert (found.reference_serial, found.reference_u.serial) == ("G-17", "G-17")
    assert found.supersedes.revision == "r02"
    assert found.latency.value == pytest.approx(0.5e-3)  # kept from r02
    assert float(found.reading(np.array([0.5]))[0]) == pytest.approx(30.0 + WATER - WATER, abs=0.01)
    page = (campaign / "calibrations" / "PT-11_r03.html").read_text(encoding="utf-8")
    assert page.count("<svg ") == 2
    assert not FETCHED.search(page)
    assert "agrees with r02" in page


def test_a_plan_that_names_it_uses_it(capsys, campaign):
    calibrated(capsys, write_sheet(campaign, pressure_sheet()))
    plan = campaign / "plans" / "WF-03.toml"
    text = plan.read_text(encoding="utf-8")
    assert "PT-11_r02" in text
    plan.write_text(text.replace("PT-11_r02", "PT-11_r03"), encoding="utf-8")
    assert read_campaign(plan, today=TODAY).calibrations["PT-11"].revision == "r03"


# Class 0.25 of 60 bar as limits: EN 837-1, confirmed; 0.0866 bar is its rectangular u, 0.96 % of 9 bar.
def test_a_gauges_class_is_no_share_of_the_reading(capsys, campaign):
    calibrated(capsys, write_sheet(campaign, pressure_sheet()))
    found = made(campaign)
    u = 0.0025 * 60.0 / math.sqrt(3.0)
    assert found.reference_span_u() == pytest.approx(u, rel=1e-5)
    assert found.reference_uncertainty.value == 0.0
    assert math.hypot(found.slope_u() * 9.0, found.zero_u()) > u


def test_jugs_hung_on_a_cell_become_newtons_by_latitude(capsys, campaign):
    said = calibrated(capsys, write_sheet(campaign, cell_sheet(), tag="LC-1"))
    found = made(campaign, "LC-1_r05")
    assert (found.reading_unit, found.highest) == ("N", pytest.approx(1960.945, abs=5e-3))
    assert found.coefficients[1] == pytest.approx(2500.0, rel=1e-4)
    # 20 kg on a trade scale in steps of 10 g: 20 g in service, u = 11.5 g, 0.058 %, common to all
    assert found.reference_uncertainty.value == pytest.approx(20e-3 / math.sqrt(3.0) / 20.0, rel=0.02)
    assert found.reference_span_u() == 0.0
    assert found.stand_interaction.line_load.text == "0.0 +/- 0.05 N/bar"
    assert "load path is carried over from r04" in said


def test_levels_that_end_below_what_a_plan_expects_are_told_on_the_screen_and_on_the_page(capsys, campaign):
    said = calibrated(capsys, write_sheet(campaign, cell_sheet(jugs=5), tag="LC-1"))
    # 5 jugs of 196.0945 N, 5 % beyond them; the firing's thrust as predict prints it, 2,593 N
    caution = (
        "CAUTION: plans/HF-02.toml expects up to 2,590 N; this calibration ends at 980 N and holds no reading above "
        "1,030 N."
    )
    assert caution in said
    page = (campaign / "calibrations" / "LC-1_r05.html").read_text(encoding="utf-8")
    assert caution in page.replace("\u00a0", " ")


def test_stacked_weights_claim_by_their_own_u(capsys, campaign):
    weights = ", ".join(['"20.00 +/- 0.0115 kg"'] * 10)
    reference = f'reference = {{ what = "dead weights", serial = "S-3", weights = [{weights}] }}'
    calibrated(capsys, write_sheet(campaign, cell_sheet(reference=reference), tag="LC-1"))
    found = made(campaign, "LC-1_r05").reference_uncertainty.value
    assert 1.5e-4 < found < 3e-4  # 192 ppm of the slope by ten masses of 575 ppm


@pytest.mark.slow
def test_a_sensor_that_moved_is_told_and_ends_with_10(capsys, campaign):
    first = write_sheet(campaign, pressure_sheet(seed=1), day=TODAY - dt.timedelta(days=30))
    calibrated(capsys, first)
    again = calibrated(capsys, write_sheet(campaign, pressure_sheet(seed=5, gain=1.0005)))
    assert "agrees with r03" in again
    later = TODAY - dt.timedelta(days=1)
    said = calibrated(capsys, write_sheet(campaign, pressure_sheet(seed=6, gain=1.0035), day=later), code=10)
    assert "differs from r04" in said
    assert "Every run since the last good check of PT-11 is in question" in said
    shift, way = re.search(r"at the same levels reads (\S+) % of span (less|more)", said).groups()
    assert (float(shift), way) == (pytest.approx(0.30, abs=0.05), "more")


@pytest.mark.parametrize(("runs", "missing"), [(1, "a second and a third run"), (2, "a third run")])
def test_fewer_runs_are_taken_with_a_judged_scatter(capsys, campaign, runs, missing):
    said = calibrated(capsys, write_sheet(campaign, pressure_sheet(runs=runs)))
    assert f"From run to run 0.04 % of span is taken by judgement; {missing} would mend it." in said
    found = made(campaign)
    assert found.degrees_of_freedom == 2.0
    assert found.run_scatter() >= 4e-4 * math.sqrt(1.0 + 1.0 / runs) * (1.0 - 1e-6)


def test_creep_and_zero_by_temperature_are_told(capsys, campaign):
    extra = (
        "creep = { readings = [\n"
        '  ["60 bar(g)", "up", "12:00:00", "0.900000 V/V"], ["60 bar(g)", "up", "12:30:00", "0.900200 V/V"],\n'
        '  ["0 bar(g)", "down", "12:31:00", "0.100150 V/V"], ["0 bar(g)", "down", "13:01:00", "0.100000 V/V"],\n'
        "] }\n"
        'zero_at = [["10 degC", "0.100000 V/V"], ["30 degC", "0.101000 V/V"]]\n'
    )
    calibrated(capsys, write_sheet(campaign, pressure_sheet(extra=extra)))
    found = made(campaign).found
    assert found.creep_30_min.value == pytest.approx(0.0002 / 0.8, rel=1e-3)
    assert found.zero_by_temperature.startswith("0.00375 +/- ")
    assert found.zero_by_temperature.endswith(" bar/K")


@pytest.mark.slow
def test_the_same_sheet_again_is_a_later_revision_and_the_older_is_untouched(capsys, campaign):
    sheet = write_sheet(campaign, pressure_sheet())
    calibrated(capsys, sheet)
    before = (campaign / "calibrations" / "PT-11_r03.toml").read_bytes()
    calibrated(capsys, sheet)
    assert (campaign / "calibrations" / "PT-11_r03.toml").read_bytes() == before
    assert made(campaign, "PT-11_r04").found.zero_since == "0.06 bar(g)"


def test_a_number_copied_wrongly_is_named(capsys, campaign):
    text = re.sub(r'("09:03:00", )"0\.(\d\d)', r'\1"0.58', pressure_sheet(), count=1)
    assert text != pressure_sheet()
    said = calibrated(capsys, write_sheet(campaign, text), code=10)
    assert 'Run 1, reading 4, "36 bar(g)", lies ' in said
    assert "nothing was left out" in said


def test_a_page_left_alone_by_a_full_disk_takes_its_number_with_it(capsys, campaign):
    (campaign / "calibrations" / "PT-11_r03.html").write_text("left")
    said = calibrated(capsys, write_sheet(campaign, pressure_sheet()))
    assert said.startswith("PT-11 r04: ")
    assert "agrees with r02" in said


def changed(old, new, *, text=None):
    text = pressure_sheet() if text is None else text
    assert old in text, old
    return text.replace(old, new, 1)


def frozen(text):
    """Let the second reading have the signal of the first."""
    first = re.search(r'"09:00:00", ("[^"]*")', text)[1]
    return re.sub(r'("09:01:00", )"[^"]*"', rf"\1{first}", text, count=1)


REFUSED = {
    "unit missing": (changed('"12 bar(g)", "up"', '"12", "up"'), "write a number, a space and the unit"),
    "reference missing": (changed('"12 bar(g)", "up"', '"12 bar", "up"'), "does not say which pressure"),
    "absolute among gauge": (changed('"12 bar(g)", "up"', '"12 bar(a)", "up"'), "is not of the kind"),
    "no reference uncertainty": (changed(', class = "0.25 % of 60 bar(g)"', ""), "nothing says how far it may be off"),
    "no such class": (changed("0.25 % of 60 bar(g)", "fine"), 'class "fine" is not understood'),
    "certificate beside class": (changed(", class =", ', certificate_u = "0.1 %", class ='), "keep one of the two"),
    "serial missing": (changed(', serial = "G-17"', ""), "reference.serial: this key is missing"),
    "another serial": (changed("PT-4411", "PT-4499"), "sensor.serial: PT-4499, but stand.toml has PT-4411"),
    "another signal": (changed('signal_unit = "V/V"', 'signal_unit = "mA"'), "a signal in V/V, but"),
    "expired reference": (changed(", class =", ", valid_until = 2020-01-01, class ="), "was in date until 2020-01-01"),
    "barometer": (changed('what = "test gauge"', 'what = "barometer"'), "a barometer shows one pressure"),
    "unknown reference": (changed('what = "test gauge"', 'what = "a friend"'), "is no reference that is known here"),
    "journal": (changed('by = "DAQ"', 'journal = "2031-06-02_cal"'), "journal: runs has no 2031-06-02_cal"),
    "unknown key": (changed('by = "DAQ"', 'buy = "DAQ"'), "unknown key"),
    "outside range": (pressure_sheet().replace('"60 bar(g)"', '"66 bar(g)"'), "lies outside of its range"),
    "frozen": (frozen(pressure_sheet()), "the channel is frozen or a row was copied"),
    "unsettled": (re.sub(r'("12 bar\(g\)", "up", "09:01:00", "\S+)', r"\1 +/- 0.01", pressure_sheet()), "settled"),
    "too soon": (changed('"09:01:00"', '"09:00:02"'), "2 s after the one before it"),
    "turned back": (changed('["24 bar(g)", "up"', '["11 bar(g)", "up"'), "turns back on the way up"),
    "way": (changed('"12 bar(g)", "up"', '"12 bar(g)", "sideways"'), 'write "up" or "down"'),
    "time": (changed('"09:01:00"', '"soon"'), '"soon" is not a time'),
    "signal": (re.sub(r'"09:01:00", "[^"]*"', '"09:01:00", "a lot"', pressure_sheet()), "is not a signal"),
    "liquid": (changed('liquid = "water"', 'liquid = "custard"'), 'density of "custard" is not known'),
    "no height difference": (changed('sensor_above_reference = "0.30 +/- 0.01 m", ', ""), "sensor_above_reference"),
    "unused key": (changed(", class =", ', weights = ["20 kg"], class ='), "reference.weights: nothing is computed"),
    "good for more": (changed('by = "DAQ"', 'good_for = { at = "80 bar(g)" }'), "lies beyond the levels"),
    "good for other": (changed('by = "DAQ"', 'good_for = { at = "80 N" }'), "is not in the kind of bar(g)"),
    "over": (changed('by = "DAQ"', "valid_until = 2020-01-01"), "is before the day of the sheet"),
    "near zeros": (
        changed('by = "DAQ"', 'zero_at = [["10 degC", "0.1 V/V"], ["12 degC", "0.1 V/V"]]'),
        "10 K apart are needed",
    ),
    "signals without levels": (pressure_sheet(repeat=0.05), "the signals do not follow the levels"),
    "no reference at all": (changed("0.25 %", "90 %"), "what may be off by that calibrates nothing"),
    "k alone": (changed(", class =", ", k = 2, class ="), 'in one: certificate_u = "0.02 % (k = 2)"'),
    "no such k": (
        changed('class = "0.25 % of 60 bar(g)"', 'certificate_u = "0.02 % (k = 20)"'),
        "k = 20 is none of a certificate",
    ),
    "no share": (
        changed('class = "0.25 % of 60 bar(g)"', 'certificate_u = "0.02 bar(g) (k = 2)"'),
        "reference.certificate_u: ",
    ),
    "volts for a ratio": (
        re.sub(r'"(0\.\d+) V/V"\]', '"0.5003 V"]', pressure_sheet(), count=1),
        "but sensor.signal_unit is V/V; divide by the supply: 0.5003 V at 5.000 V is 0.10006 V/V",
    ),
    "volts throughout": (pressure_sheet().replace("V/V", "V"), "divide by the supply: 0.09"),
    "another tag": (changed('tag = "PT-11"', 'tag = "PT-21"'), "the sheet is of PT-21, its name of PT-11"),
}


@pytest.mark.parametrize(("text", "sentence"), REFUSED.values(), ids=list(REFUSED))
def test_a_sheet_that_cannot_be_meant_is_refused_in_one_sentence(capsys, campaign, text, sentence):
    sheet = write_sheet(campaign, text)
    before = sorted(campaign.rglob("*"))
    assert run(["calibrate", str(sheet)]) == 3
    said = capsys.readouterr().err
    assert sentence in said
    assert sheet.name in said
    assert sorted(campaign.rglob("*")) == before


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (re.sub(r'"\d\d:\d\d:\d\d", ', "", pressure_sheet()), "33 of 33 readings have no time"),
        (re.sub(r'("\d\d:\d\d:\d\d"), "[^"]*"', r"\1", pressure_sheet()), "33 of 33 readings have no signal"),
        (re.sub(r', "\d\d:\d\d:\d\d", "[^"]*"', "", pressure_sheet()), "33 of 33 readings have no signal"),
    ],
    ids=["no time", "no signal", "neither"],
)
def test_what_every_reading_lacks_is_one_line(capsys, campaign, text, sentence):
    assert run(["calibrate", str(write_sheet(campaign, text))]) == 3
    said = capsys.readouterr().err
    assert sentence in said
    assert len([line for line in said.splitlines() if "PT-11_" in line]) == 1
    if "time" in sentence:
        assert "write the order's own, one minute apart" in said


def without(text, way, keep):
    """Leave out readings of one way but for the first few of each run."""
    kept, count = [], 0
    for line in text.splitlines():
        if line.startswith("[[run]]"):
            count = 0
        if f', "{way}", ' in line:
            count += 1
            if count > keep:
                continue
        kept.append(line)
    return "\n".join(kept) + "\n"


def test_too_few_levels_or_no_way_down_are_refused(capsys, campaign):
    for text, sentence in (
        (without(pressure_sheet(), "down", 0), "run 1: no way down"),
        (without(without(pressure_sheet(), "up", 3), "down", 1), "run 1: 4 levels; a calibration needs 5"),
    ):
        assert run(["calibrate", str(write_sheet(campaign, text))]) == 3
        assert sentence in capsys.readouterr().err


def test_a_run_without_a_zero_is_refused(capsys, campaign):
    text = pressure_sheet().replace('"0 bar(g)"', '"3 bar(g)"')
    assert run(["calibrate", str(write_sheet(campaign, text))]) == 3
    assert "run 1: no reading at zero" in capsys.readouterr().err


def test_masses_need_gravity_and_something_that_vouches_for_them(capsys, campaign):
    for text, sentence in (
        (cell_sheet(place=""), "place.latitude: this key is missing"),
        (cell_sheet(reference=JUGS.replace(', scale_interval = "10 g"', "")), "nothing says how far the masses"),
        (cell_sheet(reference=GAUGE), "levels of mass do not come from a test gauge"),
        (cell_sheet(reference=JUGS.replace('"10 g"', '"10 mm"')), '"10 mm" is no mass'),
        (
            cell_sheet(reference=JUGS.replace("scale_interval", 'weights = ["15 kg", "15 kg"], scale_interval')),
            "is not the sum of the first weights",
        ),
    ):
        assert run(["calibrate", str(write_sheet(campaign, text, tag="LC-1"))]) == 3
        assert sentence in capsys.readouterr().err


def test_a_sheet_elsewhere_of_another_day_or_of_no_input_is_refused(capsys, campaign, tmp_path):
    (tmp_path / "PT-11_2031-06-02.toml").write_text(pressure_sheet())
    named = write_sheet(campaign, pressure_sheet(), day="soon")
    late = write_sheet(campaign, pressure_sheet(), day=TODAY + dt.timedelta(days=9))
    other = write_sheet(campaign, pressure_sheet().replace("PT-11", "PT-99"), tag="PT-99")
    for sheet, sentence in (
        (campaign.parent / "PT-11_2031-06-02.toml", "lies in the readings folder"),
        (named, "name the sheet TAG_DATE.toml"),
        (late, "is still to come"),
        (other, "stand.toml has no PT-99; it has LC-1"),
        (campaign / "readings" / "PT-11_2025-01-01.toml", "no such file"),
    ):
        assert run(["calibrate", str(sheet)]) == 3
        assert sentence in capsys.readouterr().err
    place = tmp_path / f"PT-11_{TODAY}.toml"
    place.write_text(pressure_sheet())
    assert run(["calibrate", str(place)]) == 3
    assert "lies in the readings folder" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["r02", "r01", "last"])
def test_an_older_revisions_name_is_refused(capsys, campaign, name):
    sheet = write_sheet(campaign, pressure_sheet())
    assert run(["calibrate", str(sheet), "--revision", name]) == 3
    assert "PT-11 has revisions up to r02; a new one is later, like r03" in capsys.readouterr().err


def test_a_later_revisions_name_is_taken(capsys, campaign):
    calibrated(capsys, write_sheet(campaign, pressure_sheet()), "--revision", "r07")
    assert made(campaign, "PT-11_r07").revision == "r07"


@pytest.fixture(scope="module")
def revision(tmp_path_factory):
    """The text of a calibration as the command wrote it."""
    campaign = write_campaign(tmp_path_factory.mktemp("revision"), today=TODAY)
    assert run(["calibrate", str(write_sheet(campaign, pressure_sheet()))]) == 0
    return (campaign / "calibrations" / "PT-11_r03.toml").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "sentence"),
    [
        (r"covariance = \[\[", "covariance = [[1e3, 0.0], [0.0, 1e3]]  # [[", "covariance does not follow from points"),
        (r"coefficients = \[[\d.]+", "coefficients = [31.0", "coefficients do not follow from points"),
        (r"degree = 1", "degree = 2", "fit.degree is 2, but 2 coefficients"),
        (r'of_reading = "0 %"', 'of_reading = "1 %"', "are the same and must not differ"),
        (r'at = "[\d.]+ bar\(g\)"', 'at = "much"', "good_for.at"),
        (r'serial = "G-17" }', 'serial = "G-18" }', "reference_u.serial and reference_serial"),
    ],
)
def test_what_the_command_wrote_cannot_be_changed_unseen(tmp_path, revision, old, new, sentence):
    path = tmp_path / "PT-11_r03.toml"
    path.write_text(revision, encoding="utf-8")
    assert read_calibration(path).name == "PT-11_r03"
    text, count = re.subn(old, new, revision, count=1)
    assert count == 1
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=re.escape(sentence)):
        read_calibration(path)


def test_the_page_takes_typed_text_as_text(capsys, campaign):
    hostile = json.dumps('<script>x</script> & "quoted"')
    sheet = write_sheet(campaign, pressure_sheet().replace('by = "DAQ"', f"by = {hostile}"))
    calibrated(capsys, sheet)
    page = (campaign / "calibrations" / "PT-11_r03.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert "&lt;script&gt;" in page
