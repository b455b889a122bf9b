import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import Redline
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.live.channel_monitor import ChannelMonitor, Ring
from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.live.phase_tracker import Span
from standbook.daq.live.redlines import RedlineWatch, limit_of
from standbook.daq.quantity import parse_quantity
from tests.campaign_fixture import TODAY, campaign

AMBIENT = parse_quantity("97.8 kPa(a)", "pressure")
LOW, HIGH = 6000, 12000  # counts of PT-32, below and above 5 bar(g): 4 mA is 4800 counts, 40 bar 24000


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("redlines")) / "plans" / "HF-02.toml", today=TODAY)


def line(**changes):
    words = {"name": "no light", "phase": "safing", "tag": "PT-32", "below": "5 bar(g)", "call": "NO LIGHT"}
    return Redline.model_validate({**words, **changes})


class Watched:
    """A redline on PT-32, a loop, so that no supply is needed."""

    def __init__(self, stand, redline):
        self.base = TimeBase(1_000_000)
        self.monitor = ChannelMonitor(stand.stand.input_tagged("PT-32"), stand.calibrations["PT-32"])
        self.ring = Ring(self.base, (self.monitor.item.wire,), (Rails(-32768, 32767),), 0.001)
        self.monitor.attach(self.ring)
        self.watch = RedlineWatch(redline, self.monitor, AMBIENT)
        self.rows = 0

    def feed(self, counts, span, *, pieces=20, vouched=True):
        for start in range(0, len(counts), pieces):
            part = np.asarray(counts[start : start + pieces])
            self.ring.add((self.rows + np.arange(part.size)) * 1000, part[:, None])
            self.rows += part.size
            self.base.heard(self.ring.newest, self.rows * 1_000_000)
            self.watch.advance(span, vouched=vouched)
        return self.watch.tripped.ticks // 1000 if self.watch.tripped is not None else None


def plain_loop(low, need, of):
    """Trip at the first sample over the limit that makes it ``need`` of the last ``of``."""
    for k in range(len(low)):
        if low[k] and sum(low[max(0, k - of + 1) : k + 1]) >= need:
            return k
    return None


@given(
    low=st.lists(st.booleans(), min_size=1, max_size=80),
    persist=st.tuples(st.integers(1, 6), st.integers(1, 8)).filter(lambda p: p[0] <= p[1]),
    pieces=st.integers(1, 30),
)
@settings(max_examples=60)
def test_it_trips_at_the_sample_that_makes_it_m_of_the_last_n_however_the_samples_come(stand, low, persist, pieces):
    watched = Watched(stand, line(persist=persist))
    counts = [LOW if one else HIGH for one in low]
    assert watched.feed(counts, Span(Moment(watched.base, 0), None), pieces=pieces) == plain_loop(low, *persist)


def test_a_spike_of_one_sample_does_not_trip_with_persistence_and_does_without(stand):
    counts = [HIGH] * 100 + [LOW] + [HIGH] * 100
    assert Watched(stand, line(persist=(2, 5))).feed(counts, Span(None, None)) is None
    assert Watched(stand, line()).feed(counts, Span(None, None)) == 100


def test_samples_count_from_the_delay_after_the_start_of_the_phase_on(stand):
    watched = Watched(stand, line(after="0.8 s", persist=(40, 50)))
    span = Span(Moment(watched.base, 300_000), None)
    # Low all the time: the 40th sample from 0.3 s + 0.8 s on.
    assert watched.feed([LOW] * 2000, span) == 1100 + 39


def test_a_phase_whose_start_is_known_late_loses_no_sample(stand):
    watched = Watched(stand, line(persist=(3, 3)))
    watched.feed([LOW] * 200, None)  # its phase is not on, as far as is known
    assert watched.feed([LOW] * 100, Span(Moment(watched.base, 100_000), None)) == 102


def test_samples_after_the_end_of_the_phase_do_not_count(stand):
    watched = Watched(stand, line(persist=(10, 10)))
    span = Span(Moment(watched.base, 0), Moment(watched.base, 505_000))
    assert watched.feed([HIGH] * 500 + [LOW] * 500, span) is None


def test_it_is_latched(stand):
    watched = Watched(stand, line())
    assert watched.feed([LOW], Span(None, None)) == 0
    assert watched.feed([HIGH] * 500 + [LOW] * 10, Span(None, None)) == 0


def test_samples_that_cannot_be_believed_count_neither_way(stand):
    # 1000 counts is 0.83 mA, which only a broken loop gives, and would read far below 5 bar(g).
    counts = [LOW, LOW] + [1000, 32767] * 20 + [LOW] + [HIGH] * 20
    assert Watched(stand, line(persist=(3, 3))).feed(counts, Span(None, None)) == 42
    assert Watched(stand, line(persist=(4, 4))).feed(counts, Span(None, None)) is None


def test_a_channel_that_does_not_respond_trips_nothing(stand):
    assert Watched(stand, line()).feed([LOW] * 100, Span(None, None), vouched=False) is None


def test_a_low_limit_of_a_burn_waits_until_the_end_of_the_burn_would_have_shown(stand):
    watched = Watched(stand, line(phase="burn"))
    span = Span(Moment(watched.base, 0), None)
    assert watched.feed([HIGH] * 100 + [LOW] * 200, span) is None
    assert watched.feed([LOW] * 60, span) == 100


def test_a_high_limit_of_a_burn_does_not_wait(stand):
    watched = Watched(stand, line(phase="burn", below=None, above="5 bar(g)"))
    assert watched.feed([LOW] * 100 + [HIGH], Span(Moment(watched.base, 0), None)) == 100


def test_a_limit_is_taken_to_the_reference_of_the_channel():
    monitor, absolute = line(), line(below="5 bar(a)")
    assert limit_of(monitor, "gauge", AMBIENT) == 5e5
    assert limit_of(monitor, "absolute", AMBIENT) == 5e5 + 97.8e3
    assert limit_of(absolute, "gauge", AMBIENT) == 5e5 - 97.8e3
    assert limit_of(absolute, "absolute", AMBIENT) == 5e5


def test_a_limit_is_told_as_typed_or_in_the_units_that_people_are_shown(stand):
    monitor = ChannelMonitor(stand.stand.input_tagged("PT-32"), stand.calibrations["PT-32"])
    told = [
        RedlineWatch(line(), monitor, AMBIENT, chosen).text for chosen in (None, {"force": "lbf"}, {"pressure": "kPa"})
    ]
    assert told == ["PT-32 below 5 bar(g)", "PT-32 below 5 bar(g)", "PT-32 below 500 kPa(g)"]
