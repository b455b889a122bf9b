"""Files of checks, taps and loads read back as they were meant."""

import datetime as dt
import math
import tomllib

import pytest

from standbook.analysis.calibration.load_by_cell import BoilOff, Load
from standbook.analysis.calibration.tap_fit import Mode
from standbook.analysis.stand_checks.check import judged
from standbook.analysis.stand_sheets.check_outcomes import StandCheck
from standbook.analysis.stand_sheets.check_text import check_text
from standbook.analysis.stand_sheets.load_record import Filling
from standbook.analysis.stand_sheets.load_text import load_text
from standbook.analysis.stand_sheets.tap_record import StateOfTaps, TapTest
from standbook.analysis.stand_sheets.tap_text import tap_text
from standbook.daq.stand_sheets.check_file import CheckFile, all_checks, read_checks
from standbook.daq.stand_sheets.load_file import LoadFile, newest_load
from standbook.daq.stand_sheets.tap_file import TapFile

AT = dt.datetime(2031, 6, 14, 9, 20, tzinfo=dt.UTC)


def checks_as_text(at=AT, plan="HF-02"):
    checks = [
        StandCheck(tag="PT-11", kind="unit", check=judged("unit", expected=1.0, found=1.00123, u=0.0087, unit="1")),
        StandCheck(tag="PT-12", kind="zero", check=judged("zero", expected=0.0, found=math.nan, u=1.0, unit="Pa")),
        StandCheck(tag="fire", kind="T-0", check=judged("T-0", expected=1.0, found=1.0, u=0.0, unit="1")),
    ]
    return check_text(
        plan, at, "97.80 kPa(a)", "2031-06-14_HF-02_check", checks, stand_sha256="5" * 64, rehearsal=False,
        values={"zero of LC-1": -1.25}, left_out=["sag"],
    )  # fmt: skip


def test_a_sheet_of_checks_keeps_values_with_the_digits_that_their_u_allows():
    found = CheckFile.model_validate(tomllib.loads(checks_as_text()))
    assert [one.outcome.says for one in found.check] == ["agrees", "cannot tell", "agrees"]
    assert found.check[0].outcome.as_found == "100.12 +/- 0.87 %"
    assert found.check[1].outcome.as_found == "not read bar"
    assert found.check[2].outcome.as_found == "100 %"
    assert (found.values, found.left_out) == ({"zero of LC-1": -1.25}, ("sag",))
    assert [one.of.tag for one in found.of_kind("unit")] == ["PT-11"]


def test_sheets_of_checks_come_oldest_first_and_a_wrong_name_or_zone_is_refused(tmp_path):
    folder = tmp_path / "checks"
    folder.mkdir()
    for day in (15, 14):
        (folder / f"2031-06-{day}_HF-02.toml").write_text(checks_as_text(AT.replace(day=day)), encoding="utf-8")
    assert [sheet.at.day for sheet in all_checks(tmp_path)] == [14, 15]
    other = folder / "2031-06-14_WF-03.toml"
    other.write_text(checks_as_text(), encoding="utf-8")
    with pytest.raises(Exception, match="its name says another"):
        read_checks(other)
    other.write_text(checks_as_text(plan="WF-03").replace("09:20:00+00:00", "09:20:00"), encoding="utf-8")
    with pytest.raises(Exception, match="with its zone"):
        read_checks(other)


def mode(frequency, note=""):
    return Mode(
        frequency=frequency, frequency_u=0.04, zeta=0.021, zeta_u=0.001, taps=9, zeta_by_amplitude=(0.02, 0.022),
        note=note,
    )  # fmt: skip


def test_a_tap_test_keeps_its_states_and_the_mass():
    states = (
        StateOfTaps(added=(0.0, 0.0), modes=(mode(41.02), mode(130.3, "friction")), used=9, notes=()),
        StateOfTaps(added=(10.0, 0.01), modes=(mode(38.5),), used=8, notes=()),
    )
    test = TapTest(states=states, moving_mass=(75.0, 1.8), sentences=())
    text = tap_text(test, date=dt.date(2031, 6, 1), tag="LC-1", journal="j", tanks="full, water", rehearsal=True)
    found = TapFile.model_validate(tomllib.loads(text))
    assert (found.moving_mass.value, found.moving_mass.u) == (75.0, 1.8)
    assert [len(state.modes) for state in found.state] == [2, 1]
    assert found.state[0].modes[1].note == "friction"
    assert found.state[1].added.value == 10.0


def test_a_load_keeps_both_masses_and_the_newest_of_a_plan_is_found(tmp_path):
    boiling = BoilOff(rate=5e-4, u=5e-5, blocks_u=4e-5, wander_u=3e-5, held=600.0)
    filled = Filling(
        by_cell=Load(mass=10.61, u=0.26), containers=Load(mass=10.66, u=0.1), says="agrees", boiling=boiling,
        sentences=(),
    )  # fmt: skip
    (tmp_path / "loads").mkdir()
    for hour in (8, 9):
        text = load_text(filled, "HF-02", AT.replace(hour=hour), f"j{hour}", rehearsal=False)
        assert LoadFile.model_validate(tomllib.loads(text)).boil_off.startswith("boil-off 30")
        (tmp_path / "loads" / f"2031-06-14_HF-02_{hour}.toml").write_text(text, encoding="utf-8")
    assert newest_load(tmp_path, "HF-02").journal == "j9"
    assert newest_load(tmp_path, "WF-03") is None
    (tmp_path / "loads" / "x.toml").write_text(text.replace("+00:00", ""), encoding="utf-8")
    with pytest.raises(Exception, match="with its zone"):
        newest_load(tmp_path, "HF-02")
