"""What the files of each test say of its stand: zeros in their stated uncertainty, spans, throat, clocks."""

import dataclasses
import datetime as dt
import shutil

import pytest

from standbook.analysis.campaign.run_table import campaign_runs
from standbook.analysis.campaign.stand_state import campaign_state, spans_of, zeros_of
from standbook.daq.quantity import parse_quantity
from standbook.daq.stand_sheets.check_file import CheckFile
from tests.analysis.dataset.test_supply import calibration
from tests.campaign_fixture import edit
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"
COMMON = {"signal_unit": "mV/V", "reading_unit": "N", "lowest": 0.0, "highest": 3000.0, "tag": "LC-1"}


def cell(revision, slope, *, date, serial="A", reference="M1", scatter=1e-6, **changes):
    return calibration(
        **COMMON | changes,
        revision=revision,
        date=date,
        valid_until=date.replace(year=date.year + 1),
        sensor_serial=serial,
        reference_serial=reference,
        reference_uncertainty=parse_quantity("0.2 %", "share"),
        coefficients=(0.0, slope),
        covariance=((0.0, 0.0), (0.0, scatter * slope**2)),
    )


@pytest.fixture
def campaign(tmp_path):
    """The sample's firing as if it had been one, with a check of its own; samples are not opened."""
    (firing,) = (SAMPLE / "runs").glob("*_HF-02_rehearsal")
    folder = tmp_path / "runs" / "2031-06-14_HF-02"
    shutil.copytree(firing, folder, ignore=shutil.ignore_patterns("samples", "raw", "*.html"))
    info = folder / "run.json"
    info.write_text(info.read_text(encoding="utf-8").replace('"rehearsal": true', '"rehearsal": false'))
    (sheet,) = (folder / "checks").iterdir()
    edit(sheet, "rehearsal = true", "rehearsal = false")
    read = {"LC-1": "3.0", "PT-31": "-8e3"}  # all that this check read
    for line in [line for line in sheet.read_text(encoding="utf-8").splitlines() if line.startswith('"zero of ')]:
        tag = line.removeprefix('"zero of ').partition('"')[0]
        edit(sheet, line, f'"zero of {tag}" = {read[tag]}' if tag in read else "")
    return tmp_path


def test_a_tests_files_say_zeros_throat_and_clock(campaign):
    state = campaign_state(campaign, campaign_runs(campaign))
    (run,) = state.runs
    assert (run.run, run.date) == ("HF-02", "2031-06-14")
    # by hand: 3 N of 2 N, and -80 mbar of 40 mbar
    departures = {tag: zero.departure for tag, zero in run.zeros.items()}
    assert departures == pytest.approx({"LC-1": 1.5, "PT-31": -2.0})
    assert run.zeros["LC-1"].revision == "r04"
    assert [(throat.of, throat.article) for throat in run.throats] == [("HF-02", "Teasel-2")]
    assert run.throats[0].diameter.value == pytest.approx(32e-3)
    assert run.clocks["cradle-a"].unit == "ppm"
    assert {span.change for span in state.spans} == {0.0}  # one revision each
    assert state.unreadable == ()


def test_a_rehearsal_and_a_damaged_sheet_say_nothing_of_a_stand(campaign):
    rows = campaign_runs(campaign)
    assert campaign_state(campaign, [dataclasses.replace(row, rehearsal=True) for row in rows]).runs == ()
    (sheet,) = (campaign / "runs").glob("*/checks/*.toml")
    sheet.write_text("plan = ", encoding="utf-8")
    state = campaign_state(campaign, rows)
    assert state.runs == ()
    assert [sheet.name in why for why in state.unreadable] == [True]


def test_a_practised_check_and_a_zero_without_a_stated_uncertainty_are_no_zeros():
    sheet = CheckFile(
        plan="HF-02",
        at=dt.datetime(2031, 6, 14, tzinfo=dt.UTC),
        barometer="97.8 kPa(a)",
        journal="x",
        values={"zero of LC-1": 3.0, "shunt step of LC-1": 0.4, "zero of LC-9": 1.0},
    )
    known = {"LC-1": calibration(**COMMON, zero_uncertainty=2.0)}
    assert {tag: zero.departure for tag, zero in zeros_of(sheet, known).items()} == {"LC-1": 1.5}
    assert zeros_of(sheet, {"LC-1": calibration(**COMMON, zero_uncertainty=0.0)}) == {}
    assert zeros_of(sheet.model_copy(update={"rehearsal": True}), known) == {}
    assert zeros_of(None, known) == {}


def test_spans_are_held_against_the_first_of_the_same_sensor_whatever_their_order():
    first, second = cell("r04", 1000.0, date=dt.date(2030, 1, 1)), cell("r05", 1002.0, date=dt.date(2031, 1, 1))
    other = cell("r06", 1500.0, date=dt.date(2031, 3, 1), serial="B")
    found = list(spans_of([second, other, first, second]))
    assert [(span.revision, span.sensor) for span in found] == [("r04", 1), ("r05", 1), ("r06", 2)]
    assert [span.change for span in found] == pytest.approx([0.0, 0.002, 0.0])
    assert found[1].u == pytest.approx(1e-3)  # one reference made both: its error moves no difference
    apart = list(spans_of([first, second.model_copy(update={"reference_serial": "M2"})]))
    assert apart[1].u == pytest.approx((1e-3**2 + 2e-3**2) ** 0.5)


def test_a_span_in_another_unit_is_compared_by_what_it_reads():
    first = cell("r04", 1000.0, date=dt.date(2030, 1, 1))
    pounds = cell("r05", 1000.0 / 4.4482216152605, date=dt.date(2031, 1, 1), reading_unit="lbf")
    assert [span.change for span in spans_of([first, pounds])] == pytest.approx([0.0, 0.0], abs=1e-12)
    milliamperes = cell("r05", 1.0, date=dt.date(2031, 1, 1), signal_unit="mA")
    assert [span.revision for span in spans_of([first, milliamperes])] == ["r04"]
