"""Devices on one time base: the shift is that of the shared edge, within what is claimed; else a bound is told."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.config.stand import Device, Input, Stand
from standbook.daq.recovery.decode_wire import recover_wire
from standbook.daq.recovery.device_alignment import (
    AGREE,
    HELD_BACK,
    SEARCH,
    LineEdges,
    align,
    delay_bound,
    line_edges,
    measure_shift,
)
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening
from standbook.daq.wire.encoder import edge_body, encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import Hello, WireChannel, WireLine

SECOND = 1_000_000_000


def edges(times, *, level=1, resolution=1e-6):
    return LineEdges(tuple((level if k % 2 == 0 else 1 - level, at) for k, at in enumerate(times)), resolution)


def test_one_edge_that_both_saw_gives_the_shift_to_their_resolution():
    found = measure_shift(edges([5 * SECOND]), edges([5 * SECOND + 3_200_000], resolution=1e-3))
    assert (found.seconds, found.edges) == (3.2e-3, 1)
    # Two rectangular distributions, one 1 us and one 1 ms wide. [GUM] 4.3.7, by hand.
    assert found.u == pytest.approx(2.8868e-4, rel=1e-4)


@given(
    shift=st.integers(-100_000_000, 100_000_000),
    extra=st.integers(1, 10 * SECOND),
    in_reference=st.booleans(),
    width=st.integers(20_000_000, SECOND),
)
def test_one_extra_edge_in_either_does_not_move_it(shift, extra, in_reference, width):
    real = [20 * SECOND, 20 * SECOND + width, 22 * SECOND, 22 * SECOND + width]
    here, there = edges(real), edges([at + shift for at in real])
    spike = ((1, extra + 15 * SECOND),)
    if in_reference:
        here = LineEdges(here.times + spike, here.resolution)
    else:
        there = LineEdges(there.times + spike, there.resolution)
    found = measure_shift(here, there)
    assert abs(found.seconds - shift / 1e9) <= AGREE
    assert found.edges >= 4
    assert abs(found.seconds - shift / 1e9) <= max(3.0 * found.u, 1e-9)


def test_a_bounced_edge_that_cannot_be_told_from_the_real_one_widens_the_doubt():
    there = LineEdges(((1, SECOND + 3_000_000), (1, SECOND + 13_000_000)), 1e-6)
    found = measure_shift(edges([SECOND]), there)
    assert found.seconds == 3e-3
    assert found.u == pytest.approx(10e-3 / 12**0.5, rel=1e-3)


def test_edges_of_the_other_level_or_too_far_apart_are_not_the_same():
    assert measure_shift(edges([SECOND]), edges([SECOND], level=0)) is None
    assert measure_shift(edges([SECOND]), edges([SECOND + round(1.01e9 * SEARCH)])) is None
    assert measure_shift(edges([SECOND]), LineEdges((), 0.0)) is None


def test_a_line_that_never_rests_takes_no_time():
    busy = edges([1000 * k for k in range(20_000)])
    assert measure_shift(edges([10_000]), busy).edges == 1


def stand():
    devices = tuple(Device(name=name, baud=115_200) for name in ("cradle-a", "cradle-b"))
    inputs = tuple(
        Input(device=d.name, wire="adc0", tag=f"X-{d.name}", measures="other", kind="counts") for d in devices
    )
    return Stand(name="cradle", nozzle="down", tanks_on_cell=True, device=devices, input=inputs)


def device(name, *, delay, rate=1.0, line="fire", fire=(4.0, 6.0), began=0.0, interval=1000, rows=10_000):
    """A simulated device, decoded: it runs ``rate`` times too fast, and its link is late by ``delay``."""
    hello = Hello(
        device=name,
        serial="1",
        firmware="x",
        boot=1,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=interval,
        channels=(WireChannel("adc0", "i16", -9, 9),),
        lines=(WireLine(0, line),),
    )
    said = [(began, encode_frame(hello_body(hello)))]
    for number, frame in enumerate(encode_samples(hello, 0, 0, 0, np.zeros((rows, 1), np.int64), 10)):
        said.append((began + (number * 10 + 9) * interval * 1e-6 / rate, frame))
    for number, at in enumerate(fire, start=1):
        ticks = round((at - began) * 1e6 * rate)
        said.append((at, encode_frame(edge_body(0, 1, number % 2, number, ticks))))
    said.sort(key=lambda item: item[0])
    ends = np.cumsum([len(data) for _, data in said])
    arrivals = np.array([round(1e9 * (at + delay)) for at, _ in said]) + 10**18
    opening = PortOpening(b"".join(data for _, data in said), ends, arrivals)
    return recover_wire(
        DeviceStream(device=name, openings=(opening,), joined=opening, notes=(), torn_bytes=0),
        origin_ns=10**18,
        tolerance=50e-6,
    )


def test_two_devices_with_their_own_delays_and_clock_rates_come_onto_one_time_base():
    first = device("cradle-a", delay=2e-3, rate=1 + 30e-6)
    second = device("cradle-b", delay=9e-3, rate=1 - 40e-6, began=0.7)
    apart = second.edges[0].host_ns - first.edges[0].host_ns
    assert apart == pytest.approx(7e6, abs=0.5e6)
    one, other = align([first, second], stand())
    assert one is first
    assert other.alignment.shift_s == pytest.approx(7e-3, abs=0.5e-3)
    assert (other.alignment.line, other.alignment.edges, other.alignment.reference) == ("fire", 2, "cradle-a")
    for here, there in zip(one.edges, other.edges, strict=True):
        assert abs(there.host_ns - here.host_ns) < 5e9 * other.alignment.u_s
    # Rows move with the edges: a row half a second after the edge lies half a second after it.
    (rows,), (edge, _) = other.streams[0].segments, other.edges
    host = other.clock.to_host_ns(rows.key, np.array([edge.ticks + 500_000]))[0]
    assert (host - one.edges[0].host_ns) / 1e9 == pytest.approx(0.5, abs=1e-4)


def test_the_spread_of_the_shift_is_what_its_uncertainty_claims():
    rng = np.random.default_rng(4)
    pulls = []
    for _ in range(400):
        real = np.sort(rng.uniform(0, 60, 4))
        tick = 1e-3
        here = edges([round(1e9 * (np.floor(at / tick) * tick)) for at in real], resolution=tick)
        phase = rng.uniform(0, tick)
        there = edges(
            [round(1e9 * (np.floor((at + phase) / tick) * tick - phase + 5e-3)) for at in real], resolution=tick
        )
        found = measure_shift(here, there)
        pulls.append((found.seconds - 5e-3) / found.u)
    # Flooring offsets both alike, so only the scatter remains. u is claimed for one edge and more edges are averaged:
    # it may be too large, never too small.
    assert 0.4 < np.std(pulls) < 1.05
    assert abs(np.mean(pulls)) < 0.2


def test_devices_without_a_shared_edge_say_how_far_apart_they_may_be():
    _, other = align([device("cradle-a", delay=2e-3), device("cradle-b", delay=9e-3, line="valve")], stand())
    # Longest frame 1,029 bytes at 115,200 bit/s, ten bits a byte: 89.3 ms.
    assert other.alignment.bound_s == pytest.approx(0.0893 + HELD_BACK, abs=1e-4)
    assert other.alignment.bound_s == delay_bound(115_200)
    assert other.alignment.shift_s is None
    assert other.edges == device("cradle-b", delay=9e-3, line="valve").edges


def test_a_device_that_looks_at_its_lines_only_with_its_rows_is_no_finer_than_they_are():
    by_rows = device("cradle-a", delay=2e-3, fire=(4.0, 6.0))
    by_ticks = device("cradle-a", delay=2e-3, fire=(4.000_123, 6.0))
    assert line_edges(by_rows, "fire").resolution == pytest.approx(1e-3)
    assert line_edges(by_ticks, "fire").resolution == pytest.approx(1e-6)


def test_one_device_alone_is_left_as_it_is():
    alone = device("cradle-a", delay=2e-3)
    assert align([alone], stand()) == [alone]
    assert alone.alignment is None
