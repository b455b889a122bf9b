"""What a readings sheet takes as typed."""

import datetime as dt

import pytest

from standbook.analysis.calibration.readings_sheet import ReadingsSheet, read_sheet
from standbook.daq.config.toml_document import parse_document
from tests.readings_sheets import cell_sheet, pressure_sheet


def test_a_sheet_reads_whole(tmp_path):
    path = tmp_path / "PT-11_2031-06-02.toml"
    path.write_text(pressure_sheet(), encoding="utf-8")
    sheet, day = read_sheet(path)
    assert day == dt.date(2031, 6, 2)
    assert len(sheet.levels) == 33
    share, span = sheet.reference.span_class
    assert (share, span.value) == (pytest.approx(0.0025), 60e5)
    first = sheet.run[0].readings[0]
    assert (first.way, first.time, first.signal_unit) == ("up", dt.time(9, 0), "V/V")


def test_masses_are_levels_too():
    sheet = parse_document(cell_sheet(), ReadingsSheet, "sheet")
    assert {level.dimension for level in sheet.levels} == {"mass"}
    assert sheet.reference.scale_interval.value == pytest.approx(0.01)
