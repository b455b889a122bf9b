"""What a readings sheet takes as typed."""

import datetime as dt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.calibration.readings_sheet import ReadingsSheet, any_quantity, parse_signal, read_sheet
from standbook.daq.config.sensor_kinds import SIGNAL_UNITS
from standbook.daq.config.toml_document import parse_document
from tests.readings_sheets import cell_sheet, pressure_sheet


@given(st.floats(-1e6, 1e6), st.floats(1e-12, 1.0), st.sampled_from(SIGNAL_UNITS))
def test_a_signal_reads_as_it_was_written(value, u, unit):
    assert parse_signal(f"{value!r} +/- {u!r} {unit}") == (value, u, unit)
    assert parse_signal(f"{value!r} {unit}") == (value, 0.0, unit)


@pytest.mark.parametrize("text", ["", "V/V", "0.1", "0.1 bar", "0.1.2 V/V", "1e999 V/V", 0.1, None, "9" * 300 + " V"])
def test_what_is_no_signal_is_refused(text):
    with pytest.raises(ValueError, match="signal"):
        parse_signal(text)


@pytest.mark.parametrize(
    ("text", "dimension"), [("12 bar(g)", "pressure"), ("20 kg", "mass"), ("18 degC", "temperature")]
)
def test_a_level_is_of_the_kind_of_its_unit(text, dimension):
    assert any_quantity(text).dimension == dimension


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
