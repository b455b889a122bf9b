"""What a look at the boards tells, from rows written out by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.readiness.live_facts import bits, live_facts
from standbook.daq.config.signal_conversion import Rails

ROWS = 200


def look_at(campaign, *, lost=0, boots=1, frozen=False, rail=False, rows=ROWS):
    """A look at the only board: every channel moves a little unless it is asked to stand."""
    random = np.random.default_rng(1)
    stand = campaign.stand
    counts = {item.tag: 13_000 + random.integers(-3, 4, rows) for item in stand.input}
    counts["VS-1"] = np.full(rows, 26_667)
    if frozen:
        counts["PT-11"] = np.full(rows, 13_000)
    if rail:
        counts["PT-11"] = np.full(rows, 32_767)
    rails = {tag: Rails(-32_768, 32_767) for tag in counts}
    stream = SimpleNamespace(counts=counts, rails=rails, host_ns=np.arange(rows) * 10**7 + 10**18)
    channel = SimpleNamespace(type="i16")
    seen = SimpleNamespace(
        rows=rows, gaps=(SimpleNamespace(rows=lost),) if lost else (), channels=(channel,) * 11, tick_hz=1e6,
        interval_ticks=10_000,
    )  # fmt: skip
    device = SimpleNamespace(streams={"fast": seen}, boots=boots)
    return SimpleNamespace(
        folder="look", stand=stand, calibrations=campaign.calibrations,
        record=SimpleNamespace(devices={"cradle-a": device}),
        streams=lambda: (("cradle-a", "fast"),) if rows else (), stream=lambda *_: stream,
    )  # fmt: skip


def states(campaign, look):
    return {fact.name: fact for fact in live_facts(campaign.plan, campaign.stand, look)}


def test_without_a_look_nothing_is_measured(hf02_campaign):
    facts = states(hf02_campaign, None)
    assert {fact.state for fact in facts.values()} == {"not measured"}
    assert "rows of cradle-a" in facts
    assert not [name for name in facts if name.startswith("link")]


def test_a_sound_board_holds_in_rows_link_and_channels(hf02_campaign):
    facts = states(hf02_campaign, look_at(hf02_campaign))
    assert facts["rows of cradle-a"].state == "holds"
    # 22 bytes a row: 15 + 22 + 4, two of coding and end, is 43; 100 a second with hello and beats
    assert facts["link of cradle-a/fast"].found.startswith("fits: 5,350 bytes/s of the 100,000")
    assert facts["signal of PT-11"].state == "holds"


@pytest.mark.parametrize(
    ("wrong", "name", "words"),
    [
        ({"lost": 3}, "rows of cradle-a", "3 lost"),
        ({"boots": 2}, "rows of cradle-a", "2 boots"),
        ({"rows": 0}, "signal of PT-11", "no rows"),
        ({"frozen": True}, "signal of PT-11", "frozen: every one of 200 rows is 13000 counts"),
        ({"rail": True}, "signal of PT-11", "open wire"),
    ],
)
def test_each_fault_of_a_board_does_not_hold_and_says_what_was_seen(hf02_campaign, wrong, name, words):
    fact = states(hf02_campaign, look_at(hf02_campaign, **wrong))[name]
    assert fact.state == "does not hold"
    assert words in fact.found


def test_the_bits_of_a_channel_stand_in_its_type():
    assert [bits(kind) for kind in ("u8", "i16", "i24")] == [8, 16, 24]
