"""Whatever bytes come: no reader fails, invents, or keeps more than it may; also behind right checksums."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.any_bytes import CHECKS, SCHEMA, seeds

SEEDS = seeds()
TARGETS = sorted(CHECKS)


@pytest.mark.parametrize("target", TARGETS)
def test_what_our_encoders_make_keeps_the_promises(target):
    for seed in SEEDS[target]:
        CHECKS[target](seed)


@pytest.mark.parametrize("target", TARGETS)
@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=1200))
def test_arbitrary_bytes_keep_the_promises(target, data):
    CHECKS[target](data)


@pytest.mark.parametrize("target", TARGETS)
@settings(max_examples=150, deadline=None)
@given(
    number=st.integers(0, 9),
    edits=st.lists(st.tuples(st.integers(0, 5000), st.binary(max_size=6), st.integers(0, 6)), max_size=4),
)
def test_valid_input_with_parts_replaced_put_in_or_left_out_keeps_the_promises(target, number, edits):
    data = SEEDS[target][number % len(SEEDS[target])]
    for at, put, left_out in edits:
        place = at % (len(data) + 1)
        data = data[:place] + put + data[place + left_out :]
    CHECKS[target](data)


def test_the_promises_can_be_broken(monkeypatch):
    """A check that cannot fail proves nothing: readers that drop, repeat or shift are found out."""
    monkeypatch.setattr("daq.journal.JournalDecoder.finish", lambda self: [])
    monkeypatch.setattr("daq.journal.JournalDecoder._skip", lambda self, count: self._pass(len(self._pending) - self._start))
    damaged = b"\x21" + (len(SCHEMA) + 20).to_bytes(2, "little") + SEEDS["journal"][1][3:]
    with pytest.raises(AssertionError):
        CHECKS["journal"](damaged)
    monkeypatch.setattr("daq.wire.Decoder._wait", lambda *_: None)
    with pytest.raises(AssertionError):
        CHECKS["frames"](SEEDS["frames"][2])
    monkeypatch.setattr("daq.lines.LineDecoder._account", lambda self, row, found: -1)
    with pytest.raises(AssertionError):
        CHECKS["lines"](SEEDS["lines"][0])
