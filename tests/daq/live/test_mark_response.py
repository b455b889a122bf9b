"""What the record shows at a mark: the tag that should rise, another in its place, or nothing."""

import numpy as np
import pytest

from standbook.daq.config.calibration import from_si
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import Mark
from standbook.daq.config.signal_conversion import Rails, counts_from_signal
from standbook.daq.live.channel_monitor import ChannelMonitor, Ring
from standbook.daq.live.live_clock import TimeBase
from standbook.daq.live.mark_response import ROSE, SETTLES, WITHIN, MarkRemark
from standbook.daq.run.marks import CrewMark
from tests.campaign_fixture import TODAY, campaign

BAR = 1e5
AT = 2.0  # [s] of the mark on the monotonic clock
TAGS = ("PT-11", "PT-12", "PT-21", "PT-22")
FUEL = Mark(key="P", text="fuel tank pressurising", rises="PT-21", still="PT-11")


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("remarks")) / "plans" / "HF-02.toml", today=TODAY)


def gauges_of(stand, bars=None, *, seconds=AT, tags=TAGS):
    """Fill one ring with what the tanks read before the mark; a tag in ``tags`` alone has rows."""
    base = TimeBase(1_000_000)
    found, columns = {}, []
    time = np.arange(round(seconds * 1000)) / 1000
    for tag in tags:
        item, calibration = stand.stand.input_tagged(tag), stand.calibrations[tag]
        found[tag] = ChannelMonitor(item.model_copy(update={"supply": "5.0 V"}) if item.supply else item, calibration)
        value = np.full(time.size, (bars or {}).get(tag, 0.0) * BAR)
        signal = calibration.signal(from_si(value, calibration))
        columns.append(np.rint(counts_from_signal(item, signal, 5.0)).astype(np.int64))
    ring = Ring(base, tuple(g.item.wire for g in found.values()), (Rails(-32768, 32767),) * len(found), 0.001)
    if time.size:
        ticks = np.round(time * 1e6).astype(np.int64)
        base.heard(int(ticks[-1]), round(time[-1] * 1e9))
        ring.add(ticks, np.column_stack(columns))
        for monitor in found.values():
            monitor.attach(ring)
    return found


def mark(at=AT):
    ns = round(at * 1e9)
    return CrewMark(number=1, text=FUEL.text, key="P", by="screen", monotonic_ns=ns, boottime_ns=ns, wall_ns=ns)


class Said:
    """A remark that is looked at; ``at`` counts seconds after the mark, values are bar."""

    def __init__(self, stand, planned=FUEL, **more):
        self.monitors = gauges_of(stand, **more)
        self.remark = MarkRemark(mark(), planned, self.monitors)

    def at(self, seconds, time_scale=1.0, **bars):
        values = {tag: bars.get(tag.replace("-", ""), 0.0) for tag in TAGS}
        values = {tag: None if value is None else value * BAR for tag, value in values.items()}
        self.remark.update(values, round((AT + seconds / time_scale) * 1e9), time_scale)
        return self.remark.text


LEAST = ROSE * 60.0  # [bar]


def test_what_should_rise_and_rose_is_said_once_what_is_coupled_could_have_risen(stand):
    said = Said(stand)
    assert said.at(0.1, PT21=0.9 * LEAST) == ""
    assert said.at(1.0, PT21=1.2 * LEAST) == ""
    assert said.at(1.0 + 0.9 * SETTLES, PT21=3.0) == ""
    assert said.at(1.05 + SETTLES, PT21=3.0) == "PT-21 rose; PT-11 stayed still"
    assert said.remark.is_done
    assert said.at(5.0, PT21=30.0, PT11=30.0) == "PT-21 rose; PT-11 stayed still"  # it stands


def test_exchanged_cables_are_named(stand):
    said = Said(stand)
    said.at(1.0, PT11=3.0)
    assert said.at(1.1 + SETTLES, PT11=3.0) == "PT-11 rose, PT-21 should have"


def test_the_twin_on_the_same_tank_is_no_exchange_and_the_named_one_has_ten_seconds(stand):
    said = Said(stand)
    said.at(1.0, PT22=3.0)
    assert said.at(1.1 + SETTLES, PT22=30.0) == ""
    assert said.at(WITHIN, PT22=30.0) == "PT-21 did not rise within 10 s, PT-22 did; PT-11 stayed still"
    later = Said(stand)
    later.at(1.0, PT22=3.0)
    later.at(2.0, PT22=30.0, PT21=3.0)
    assert later.at(2.1 + SETTLES, PT22=30.0, PT21=30.0) == "PT-21 rose; PT-11 stayed still"


def test_what_should_have_stayed_still_and_rose_too_is_named(stand):
    said = Said(stand)
    said.at(1.0, PT21=3.0, PT11=3.0)
    assert said.at(1.1 + SETTLES, PT21=3.0, PT11=3.0) == "PT-21 rose; PT-11 rose, which should have stayed still"


def test_nothing_that_rises_in_ten_seconds_is_said_then(stand):
    said = Said(stand)
    assert said.at(WITHIN - 0.1) == ""
    assert said.at(WITHIN) == "PT-21 did not rise within 10 s; PT-11 stayed still"


def test_a_rise_counts_from_what_stood_before_the_mark(stand):
    said = Said(stand, bars={"PT-21": 20.0})
    said.at(1.0, PT21=20.0 + 0.8 * LEAST)
    assert said.at(2.0, PT21=20.0 + 0.8 * LEAST) == ""
    said.at(3.0, PT21=20.0 + 1.2 * LEAST)
    assert said.at(3.1 + SETTLES, PT21=23.0).startswith("PT-21 rose")


def test_a_channel_that_is_withdrawn_has_not_risen(stand):
    said = Said(stand)
    said.at(1.0, PT21=None)
    assert said.at(WITHIN, PT21=None) == "PT-21 did not rise within 10 s; PT-11 stayed still"


def test_a_channel_that_was_not_indicated_at_the_mark_is_said_to_be_so(stand):
    said = Said(stand, tags=("PT-11", "PT-12", "PT-22"))
    assert said.at(WITHIN) == "PT-21 was not indicated; PT-11 stayed still"


def test_a_mark_from_before_anything_was_recorded_is_left_without_a_remark(stand):
    said = Said(stand, seconds=0.0)
    assert said.remark.is_done
    assert said.at(WITHIN, PT21=30.0) == ""


def test_a_mark_that_names_only_what_stays_still(stand):
    said = Said(stand, Mark(key="V", text="vent shut", still="PT-11"))
    assert said.at(WITHIN) == "PT-11 stayed still"
    risen = Said(stand, Mark(key="V", text="vent shut", still="PT-11"))
    risen.at(1.0, PT11=3.0)
    assert risen.at(1.1 + SETTLES, PT11=3.0) == "PT-11 rose, which should have stayed still"


def test_a_rehearsal_that_plays_fast_counts_in_seconds_of_the_device(stand):
    said = Said(stand)
    said.at(1.0, time_scale=20.0, PT21=3.0)
    assert said.at(1.0 + 0.9 * SETTLES, time_scale=20.0, PT21=3.0) == ""
    assert said.at(1.1 + SETTLES, time_scale=20.0, PT21=3.0) == "PT-21 rose; PT-11 stayed still"
