"""What a reading takes as typed."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.config.sensor_kinds import SIGNAL_UNITS
from standbook.daq.stand_sheets.typed_reading import any_quantity, parse_signal, ratio_hint


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


# Worked: 0.5003 V of 5.000 V is 0.10006 V/V; 10 mV of 5.000 V is 2 mV/V.
@pytest.mark.parametrize(
    ("volts", "have", "wanted", "said"),
    [
        (0.5003, "V", "V/V", "; divide by the supply: 0.5003 V at 5.000 V is 0.10006 V/V"),
        (0.01, "V", "mV/V", "; divide by the supply: 0.01 V at 5.000 V is 2 mV/V"),
        (4.0, "mA", "V/V", ""),
        (0.5, "V/V", "V", ""),
    ],
)
def test_volts_become_the_ratio_by_the_supply(volts, have, wanted, said):
    assert ratio_hint(volts, have, wanted) == said
