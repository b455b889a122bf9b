"""Start and stop of the thrust at full rate: every sample drawn, what the caption says, and how large it may grow."""

import re
from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.report.content.blocks import Picture, Register
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.full_rate import Marks, full_rate
from standbook.analysis.report.sections import run_sections
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.results import EventResult
from tests.analysis import report_fixture as fixture

MARKS = Marks(t_zero=True, peak=2591.0, crossing=0.41)
MOST_BYTES = 500_000  # of both windows and both channels


def lines_of(svg, least):
    """Count the points of each drawn line that has at least so many."""
    paths = re.findall(r'<path d="([^"]*)"', svg)
    return [n for n in (len(re.findall(r"[ML]", path)) for path in paths) if n >= least]


def captions(curves, context=fixture.CONTEXT, results=None):
    section = run_sections.thrust(results or fixture.firing(), curves, context, Register.of(()))
    found = []
    for block in section.blocks:
        pictures = [block] if isinstance(block, Picture) else [b for c in getattr(block, "columns", ()) for b in c]
        found += [str(one.caption) for one in pictures if "of the thrust" in str(one.caption)]
    return found


@pytest.mark.parametrize("which", ["start", "stop"])
def test_every_sample_of_both_channels_is_drawn(which):
    curves = fixture.full_rate_windows()
    svg = full_rate(curves, which, MARKS)
    assert lines_of(svg, 500) == [curves[f"thrust at {which}"].time.size] * 2


@pytest.mark.slow
def test_t_zero_and_a_tenth_of_the_thrust_are_drawn_and_named():
    start, stop = (full_rate(fixture.full_rate_windows(), which, MARKS) for which in ("start", "stop"))
    assert ">T-0<" in start
    assert ">T-0<" not in stop
    assert ">10 %<" in start
    assert ">10 %<" in stop
    unknown = full_rate(fixture.full_rate_windows(), "start", Marks(t_zero=False, peak=None, crossing=None))
    assert ">T-0<" not in unknown
    assert ">10 %<" not in unknown


@pytest.mark.slow
def test_a_fast_record_stays_bounded_and_says_how():
    curves = fixture.full_rate_windows(rate=5000.0)
    drawn = [full_rate(curves, which, MARKS) for which in ("start", "stop")]
    assert sum(map(len, drawn)) < MOST_BYTES
    assert min(lines_of(drawn[1], 2000)) == 5000  # still every one
    faster = fixture.full_rate_windows(rate=50_000.0)
    assert sum(len(full_rate(faster, which, MARKS)) for which in ("start", "stop")) < MOST_BYTES
    assert "50,000 samples a second, minimum and maximum of each 20 drawn" in captions(faster)[1]


def test_what_is_thinned_keeps_its_extremes_and_its_order():
    time = np.arange(0.0, 2.0, 1e-5)
    value = np.sin(2 * np.pi * 7 * time)
    value[123_457] = 40.0
    at, kept = style.extremes(time, value, most=1000)
    assert at.size <= 1000
    assert np.all(np.diff(at) > 0.0)
    assert kept.max() == 40.0
    assert kept.min() == value.min()
    assert style.samples_in_one(value.size, 1000) == 400
    assert style.samples_in_one(1000, 1000) == 1


@pytest.mark.slow
def test_the_caption_says_rate_channel_and_filter():
    first, second = captions(fixture.full_rate_windows())
    assert first.startswith("Start of the thrust, T\u22120.10 s to T+0.70 s, by LC-1 and PT-31: every one of 1,000 ")
    assert "the stand names no low-pass filter" in first
    assert second.startswith("Stop of the thrust, T+19.30 s to T+20.30 s")
    stand = replace(fixture.CONTEXT.stand, filter_corners={"PT-31": 200.0})
    assert (
        "not averaged; low-pass of PT-31 at 200 Hz"
        in captions(fixture.full_rate_windows(), replace(fixture.CONTEXT, stand=stand))[0]
    )


def test_the_crossing_of_a_tenth_is_read_aloud():
    events = (EventResult("thrust start", 0.41, 0.005, "10 %"),)
    section = run_sections.thrust(
        replace(fixture.firing(), events=events), fixture.full_rate_windows(), fixture.CONTEXT, Register.of(())
    )
    drawn = "".join(str(one.svg) for b in section.blocks for c in getattr(b, "columns", ()) for one in c)
    assert "at full rate: 10 % of the greatest mean at T+0.410 s" in drawn


def test_without_a_record_at_full_rate_there_is_no_window():
    assert captions({}) == []
    assert full_rate({}, "start", MARKS) is None
    empty = Curve(np.empty(0), {"LC-1": np.empty(0)}, "N")
    assert full_rate({"thrust at start": empty}, "start", MARKS) is None


def test_without_a_chamber_sensor_the_thrust_stands_alone():
    alone = {name: curve for name, curve in fixture.full_rate_windows().items() if name.startswith("thrust")}
    assert len(lines_of(full_rate(alone, "start", MARKS), 500)) == 1
