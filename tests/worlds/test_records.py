"""Noise, clocks and notes of the worlds, and that nothing but the adapter knows the program."""

import ast
from pathlib import Path

import numpy as np
import pytest

from tests.worlds.adapter import flow_dataset
from tests.worlds.cases import flow_case
from tests.worlds.draws import STRATA, draw_flow, noted
from tests.worlds.noise import converted, hammer, hum, lagged, pink, telegraph
from tests.worlds.sampling import Sampling, stamped, taken

HERE = Path(__file__).parent


def slope(made, rate):
    """Slope of the power spectrum in decades, read between 1/200 and 1/5 of the rate."""
    power = np.mean(np.abs(np.fft.rfft(made.reshape(64, -1) * np.hanning(made.size // 64))) ** 2, axis=0)
    frequency = np.fft.rfftfreq(made.size // 64, 1.0 / rate)
    inside = (frequency > rate / 200.0) & (frequency < rate / 5.0)
    return np.polyfit(np.log(frequency[inside]), np.log(power[inside]), 1)[0]


def test_pink_noise_falls_as_one_over_frequency_and_white_noise_does_not():
    random = np.random.default_rng(1)
    assert slope(pink(random, 2**17), 1000.0) == pytest.approx(-1.0, abs=0.1)
    assert slope(random.standard_normal(2**17), 1000.0) == pytest.approx(0.0, abs=0.1)
    assert np.std(pink(random, 2**17)) == pytest.approx(1.0, abs=0.05)


def test_hum_sounds_at_the_mains_and_its_harmonics_alone():
    times = np.arange(10000) / 1000.0
    power = np.abs(np.fft.rfft(hum(times, 60.0, (0.5, 0.25), 0.7))) * 2.0 / times.size
    found = {float(k / 10.0): round(float(power[k]), 6) for k in np.flatnonzero(power > 1e-6)}
    assert found == {60.0: 1.0, 120.0: 0.5, 180.0: 0.25}


def test_telegraph_steps_between_two_values_at_its_rate():
    times = np.linspace(0.0, 2000.0, 200001)
    made = telegraph(np.random.default_rng(3), times, 2.0)
    assert set(made) == {-0.5, 0.5}
    assert np.sum(np.diff(made) != 0.0) == pytest.approx(1000, abs=150)


def test_a_line_lags_a_ramp_by_its_time_constant():
    value = np.arange(4000) * 1e-3
    assert value[-1] - lagged(value, 1e-3, 0.02)[-1] == pytest.approx(0.02, abs=6e-4)


def test_hammer_begins_at_the_closing_and_dies():
    times = np.array([0.9, 1.0, 1.025, 2.0])
    made = hammer(times, 1.0, 2.0, 10.0, 0.1)
    assert made[:2].tolist() == [0.0, 0.0]
    assert made[2] == pytest.approx(2.0 * np.exp(-0.25))
    assert abs(made[3]) < 1e-3


def test_a_converter_rounds_and_holds_at_its_rails():
    assert converted(np.array([-9.0, 0.0, 0.74, 99.0]), -1.0, 0.5, 4).tolist() == [0, 2, 3, 15]


@pytest.mark.parametrize(
    ("law", "furthest"),
    [
        (Sampling(500.0, "even", 0.3, 0.0, 0.0), 1e-12),
        (Sampling(500.0, "whole ms", 0.3, 0.0, 0.0), 1e-3),
        (Sampling(500.0, "jitter", 0.3, 0.0, 0.0), 6e-3),
        (Sampling(500.0, "host", 0.1, 0.0, 0.0), 6e-3),
        (Sampling(500.0, "even", 0.3, 0.0, 1e-3), 3e-3),
    ],
)
def test_stamps_never_fall_and_stay_near_the_instants(law, furthest):
    times = taken(law, -1.0, 2.0)
    kept, stamps = stamped(law, np.random.default_rng(5), times)
    assert kept.size == times.size
    assert np.all(np.diff(stamps) >= 0.0)
    assert np.max(np.abs(stamps - times)) <= furthest


def test_lost_rows_are_lost_at_their_share():
    times = taken(Sampling(1000.0, "lost rows", 0.0, 0.0, 0.0), 0.0, 50.0)
    kept, _ = stamped(Sampling(1000.0, "lost rows", 0.0, 0.01, 0.0), np.random.default_rng(5), times)
    assert 1.0 - kept.size / times.size == pytest.approx(0.01, abs=2e-3)


def test_a_seed_makes_the_same_record_again_and_another_seed_another():
    one, again, other = flow_case(8), flow_case(8), flow_case(10)
    assert np.array_equal(one.counts["PT-1"], again.counts["PT-1"])
    assert np.array_equal(one.stamps, again.stamps)
    assert one.truth == again.truth
    assert one.notes == again.notes
    assert one.truth.cda != other.truth.cda


def test_draws_span_their_ranges():
    setups = [draw_flow(seed) for seed in range(0, 400, 2)]
    for name, low, high in (("volume", 4e-3, 80e-3), ("start_pressure", 8e5, 60e5)):
        values = [getattr(s.tank, name) for s in setups]
        assert low <= min(values) < 1.5 * low
        assert 0.85 * high < max(values) <= high
    assert {s.stratum for s in setups} == set(STRATA)
    assert {s.tank.gas.name for s in setups} == {"nitrogen", "air", "helium"}
    assert {s.tank.knee.kind for s in setups} == {"mixture", "vortex", "slugs", "sharp"}


def test_a_note_is_off_by_what_it_claims():
    random = np.random.default_rng(7)
    pulls = [(noted(random, 3.0, 0.1) - 3.0) / 0.1 for _ in range(4000)]
    assert np.sqrt(np.mean(np.square(pulls))) == pytest.approx(1.0, abs=0.05)
    assert np.mean(pulls) == pytest.approx(0.0, abs=0.07)


def test_notes_of_a_record_are_near_its_truth():
    case = flow_case(6, stratum="closed")
    note, tank = case.notes.tank, case.setup.tank
    for name, true in (("volume", tank.volume), ("load", tank.load), ("cda", tank.cda), ("exponent", case.truth.chord)):
        assert abs(getattr(note, name).value - true) < 4.0 * getattr(note, name).u
    assert note.volume.value != tank.volume


def test_the_dataset_reads_the_start_pressure_within_its_claims():
    case = flow_case(6)
    channel = flow_dataset(case).first("tank pressure", "tank")
    rest = channel.reading[channel.time < case.setup.tank.valve.opens - 0.1].mean()
    u = channel.reading_u(rest, flow_dataset(case).plan.site.ambient_pressure)
    assert abs(rest - case.truth.start_pressure) < 4.0 * u


def test_only_the_adapter_knows_the_program():
    knowing = set()
    for path in HERE.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [node.module] if isinstance(node, ast.ImportFrom) else []
            names += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            knowing |= {path.name for name in names if name.split(".")[0] not in {"tests"} and "standbook" in name}
    assert knowing == {"adapter.py"}


def test_the_adapter_asks_for_the_input_contract_alone():
    tree = ast.parse((HERE / "adapter.py").read_text(encoding="utf-8"))
    asked = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and "standbook" in node.module}
    allowed = ("standbook.analysis.dataset.dataset", "standbook.analysis.results.", "standbook.daq.config.")
    assert all(name.startswith(allowed) for name in asked)
