"""Which stretch of a pressure record is a hold, found in records written out by hand."""

import numpy as np
import pytest

from standbook.analysis.pressure_hold.held_stretch import held_stretch
from standbook.daq.errors import DataError

TIME = np.arange(0.0, 1200.0, 0.1)


def record(*, begun=50.0, full=80.0, vented=1000.0, leak=1e-5):
    """Pressurised over 30 s, held while it leaks a little, vented at once."""
    rising = 1e5 + 31e5 * np.clip((TIME - begun) / (full - begun), 0.0, 1.0)
    return np.where(vented > TIME, rising * (1.0 - leak * np.maximum(TIME - full, 0.0)), 1e5)


def test_a_hold_begins_settled_after_pressurising_and_ends_before_venting():
    start, end = held_stretch(TIME, record(), settle=120.0)
    assert start == pytest.approx(80.0 + 120.0, abs=6.0)
    assert 980.0 <= end < 1000.0


def test_a_record_that_begins_at_pressure_settles_from_its_beginning():
    start, end = held_stretch(TIME, record(begun=-90.0, full=-60.0, vented=2000.0), settle=60.0)
    assert start == pytest.approx(60.0, abs=6.0)
    assert end == pytest.approx(1200.0, abs=1.0)


def test_after_a_top_up_the_hold_begins_again():
    pressure = record(vented=2000.0)
    pressure[TIME > 400.0] += 2e5
    start, _ = held_stretch(TIME, pressure, settle=60.0)
    assert start == pytest.approx(460.0, abs=12.0)


@pytest.mark.parametrize(
    ("pressure", "settle", "sentence"),
    [
        (np.full(TIME.size, 1e5), 10.0, "stayed near the pressure of the air"),
        (record(), 900.0, "s are left of the hold after 900 s to settle; 120 s are needed"),
        (np.full(TIME.size, np.nan), 10.0, "no pressure was held"),
    ],
)
def test_a_record_without_a_hold_is_refused_in_a_sentence(pressure, settle, sentence):
    with pytest.raises(DataError, match=sentence):
        held_stretch(TIME, pressure, settle=settle)


def hot(warm=0.09, settles=90.0, **more):
    """The same, of gas that pressurising left hot: it loses nine hundredths of its pressure while it settles."""
    after = np.clip(TIME - 80.0, 0.0, None)
    return record(**more) * (1.0 - warm * (1.0 - np.exp(-after / settles)))


def test_hot_gas_that_cools_by_more_than_a_leak_takes_is_not_vented():
    start, end = held_stretch(TIME, hot(), settle=300.0)
    assert start == pytest.approx(80.0 + 300.0, abs=6.0)
    assert 980.0 <= end < 1000.0


def test_a_tank_that_was_vented_before_it_had_settled_holds_nothing():
    with pytest.raises(DataError, match="0 s are left of the hold after 300 s"):
        held_stretch(TIME, hot(vented=250.0), settle=300.0)
