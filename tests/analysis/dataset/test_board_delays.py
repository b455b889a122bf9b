"""A board that tells skew and latency: every channel's time is moved by exactly that, once."""

from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.dataset.load_run import load_dataset
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Quantity
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts, starter

SKEW, LATENCY = 112, 25_000  # ticks of a microsecond


def loaded(folder, **delays):
    for path in (starter(folder).folder / "calibrations").glob("*.toml"):  # as made, they state a latency
        kept = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("latency")]
        path.write_text("\n".join(kept) + "\n", encoding="utf-8")
    run = new_run(folder)
    Player(run, replace(fast_hello(), **delays)).play(plausible_counts(400)).write()
    seal(run)
    return load_dataset(open_run(run)), open_run(run)


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    return loaded(tmp_path_factory.mktemp("plain"))[0]


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    return loaded(tmp_path_factory.mktemp("told"), skew_ticks=SKEW, latency_ticks=LATENCY)


def test_each_channel_is_moved_by_its_skew_and_by_the_latency(plain, told):
    dataset, run = told
    wires = {item.tag: int(item.wire.removeprefix("adc")) for item in run.stand.input}
    assert len(dataset.channels) > 8
    for tag, channel in dataset.channels.items():
        moved = 1e-6 * (SKEW * wires[tag] - LATENCY)
        assert channel.time - plain.channels[tag].time == pytest.approx(np.full(400, moved), abs=1e-9), tag


def test_the_samples_hold_both_and_the_rows_times_are_not_moved(told, plain):
    _, run = told
    rows = run.stream("cradle-a", "fast")
    assert rows.skews["PT-11"] == pytest.approx(SKEW * 1e-6 * int(run.stand.input_tagged("PT-11").wire[3:]))
    assert set(rows.latencies.values()) == {LATENCY / 1e6}
    assert np.diff(rows.host_ns) == pytest.approx(np.full(399, 1e6), abs=3.0)


def test_a_latency_that_the_calibration_states_too_is_refused(told):
    _, run = told
    stated = Quantity(value=0.025, u=0.0, dimension="time", reference=None, text="25 ms")
    twice = run.calibrations["LC-1"].model_copy(update={"latency": stated})
    with pytest.raises(ConfigError) as refused:
        load_dataset(run, calibrations={"LC-1": twice})
    assert "latency is 25 ms, and the board's own hello tells 25 ms for LC-1" in str(refused.value)


def test_without_the_key_a_calibrations_latency_is_taken_off_as_before(plain, tmp_path):
    _, run = loaded(tmp_path)
    stated = Quantity(value=0.025, u=0.0, dimension="time", reference=None, text="25 ms")
    later = {"LC-1": run.calibrations["LC-1"].model_copy(update={"latency": stated})}
    moved = load_dataset(run, calibrations=later).channels["LC-1"].time - plain.channels["LC-1"].time
    assert moved == pytest.approx(np.full(400, -0.025), abs=1e-9)
