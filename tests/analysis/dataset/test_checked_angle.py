"""Which check's angle a cell is read with: of the same stand, by a real board, where no pull holds it."""

import dataclasses
import datetime as dt

import pytest

from standbook.analysis.dataset.pulled_path import with_alignments
from standbook.daq.stand_sheets.check_file import CheckFile
from tests.analysis.dataset.test_supply import channel


def check(as_found="0.137 +/- 0.018 %", **more):
    done = {
        "of": {"tag": "PT-1", "kind": "alignment", "expected": "0 %"},
        "outcome": {"as_found": as_found, "says": "agrees", "surely_seen": "0.2 %", "sentence": "alignment agrees"},
    }
    sheet = {"plan": "HF-02", "at": dt.datetime(2031, 6, 14, 9, tzinfo=dt.UTC), "barometer": "97.8 kPa(a)"}
    return CheckFile.model_validate({**sheet, "journal": "x", "stand_sha256": "aa", "check": [done], **more})


def hidden(sheet, *, stand="aa", rehearsal=False, pull=None):
    cell = dataclasses.replace(channel(), pull=pull)
    return with_alignments({"PT-1": cell}, sheet, stand_sha256=stand, rehearsal=rehearsal)["PT-1"].hidden_by_angle


def test_what_a_check_found_hidden_is_read_with_its_uncertainty():
    found = hidden(check())
    assert (found.value, found.u) == (pytest.approx(1.37e-3), pytest.approx(1.8e-4))


def test_a_check_of_another_stand_on_simulated_boards_or_beside_a_pull_changes_nothing():
    assert hidden(None) is None
    assert hidden(check(), stand="bb") is None
    assert hidden(check(rehearsal=True)) is None
    assert hidden(check(rehearsal=True), rehearsal=True) is not None
    assert hidden(check(), pull=object()) is None
    assert hidden(check("not read")) is None
