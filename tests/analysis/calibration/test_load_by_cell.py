"""Load and boil-off by the stand's cell: worked figures, closed forms, and simulated weather."""

import math

import numpy as np
import pytest

from standbook.analysis.calibration.load_by_cell import (
    BoilOff,
    Load,
    NightRecord,
    Path,
    Zeros,
    against_containers,
    boil_off,
    load_at_start,
    load_by_cell,
    night_record,
)
from standbook.analysis.calibration.slopes import slope_of
from standbook.daq.errors import DataError
from tests.studies import boil_off as study

GRAM_A_MINUTE = 1.0 / 6e4
STRAIGHT = Path(factor=(1.0, 0.0))


def test_a_load_of_ten_kilograms_is_known_to_a_quarter():
    # derived: 10.66 kg = 104.5 N; zero 2 N, hose and frost 1.5 N make 0.26 kg
    load = load_by_cell(
        111.5,
        Zeros(reading=7.0, moved_u=2.0, hoses_u=1.5),
        Path(factor=(1.0, 0.002), line_load=1.5e-5),
        pressure=0.0,
        gravity=9.806,
    )
    assert load.mass == pytest.approx(10.66, abs=0.005)
    assert load.u == pytest.approx(math.hypot(2.5 / 9.806, 0.002 * 10.66), rel=1e-3)
    assert load.u == pytest.approx(0.26, abs=0.005)


def test_pressure_in_the_lines_is_no_load():
    zeros, path = Zeros(reading=0.0, moved_u=0.0, hoses_u=0.0), Path(factor=(1.01, 0.0), line_load=1.5e-5)
    load = load_by_cell(98.06 / 1.01 + 46.5, zeros, path, pressure=31e5, gravity=9.806)
    assert load.mass == pytest.approx(10.0, rel=1e-9)


def test_containers_lead_and_the_cell_agrees_or_says_by_how_much_not():
    said, sentence = against_containers(Load(mass=10.9, u=0.26), Load(mass=10.66, u=0.03))
    assert said == "agrees"
    assert "surely seen from 1.22 kg" in sentence
    said, sentence = against_containers(Load(mass=12.0, u=0.26), Load(mass=10.66, u=0.03))
    assert said == "differs"
    assert "+1.34 kg" in sentence


def test_a_straight_fall_is_its_slope_and_a_walk_counts_six_fifths():
    t = np.arange(0.0, 600.0, 1.0)
    found = boil_off(t, 100.0 - 0.002 * t, NightRecord(walk=0.0, drift=0.0), path=STRAIGHT, gravity=9.81)
    assert found.rate == pytest.approx(0.002 / 9.81, rel=1e-9)
    # closed form: the slope of a straight line through a random walk has the variance 6/5 w²/T
    random = np.random.default_rng(8)
    walks = np.cumsum(random.normal(0.0, 0.05, (3000, t.size)), axis=1)
    x = t - t.mean()
    slopes = walks @ x / (x @ x)
    claimed = boil_off(t, t * 0.0, NightRecord(walk=0.05, drift=0.0), path=STRAIGHT, gravity=9.81).wander_u * 9.81
    assert np.std(slopes) == pytest.approx(claimed, rel=0.04)  # 3,000 draws scatter by 1.3 %


def test_a_night_tells_walk_and_drift():
    random = np.random.default_rng(9)
    t = np.arange(0.0, 12_000.0, 1.0)
    nights = [(t, np.cumsum(random.normal(0.0, 0.05, t.size)) + 0.01 * sign * t) for sign in (1.0, -1.0, 1.0)]
    found = night_record(nights, hold=600.0)
    # 57 slopes scatter by a tenth; blocks of a walk show a part of it, which the hold adds again
    assert 0.035 < found.walk < 0.06
    assert found.drift == pytest.approx(0.01 * math.sqrt(1.0 + 2.0 / 3.0), rel=0.1)
    with pytest.raises(DataError, match="unloaded cell"):
        night_record([(t[:1000], t[:1000] * 0.0)], hold=600.0)


def boiling(rate, u):
    return BoilOff(rate=rate * GRAM_A_MINUTE, u=u * GRAM_A_MINUTE, blocks_u=0.0, wander_u=0.0, held=600.0)


def test_a_rate_that_is_not_seen_is_a_limit():
    seen, unseen = boiling(12.0, 3.4), boiling(5.0, 3.4)
    assert seen.sentence.startswith("boil-off 12 +/- 3.4 g/min")
    assert unseen.sentence.startswith("boil-off less than 11 g/min")
    weighed = Load(mass=10.66, u=0.03)
    left = load_at_start(weighed, seen, 600.0)
    assert left.mass == pytest.approx(10.54, rel=1e-9)
    assert left.u == pytest.approx(math.hypot(0.03, 0.034), rel=1e-9)
    left = load_at_start(weighed, unseen, 600.0)
    assert left.mass == 10.66
    assert left.u == pytest.approx(math.hypot(0.03, 0.01 * (5.0 + 1.644854 * 3.4) / math.sqrt(3.0)), rel=1e-6)


def test_a_slope_says_how_its_halves_differ_and_leaves_out_what_is_no_number():
    t = np.linspace(0.0, 10.0, 201)
    bent = np.where(t < 5.0, t, 5.0 + 3.0 * (t - 5.0))
    bent[17] = np.nan
    assert slope_of(t, bent, blocks=10).halves == pytest.approx(1.0, rel=0.01)
    assert slope_of(t, 2.0 * t, blocks=10).value == pytest.approx(2.0, rel=1e-12)
    with pytest.raises(DataError, match="too few"):
        slope_of(t[:20], t[:20], blocks=10)


@pytest.mark.slow
def test_boil_off_in_calm_air_is_within_its_u_and_blocks_alone_would_not_hold():
    error, u, blocks = study.errors(25, study.AIRS[1], 20.0)
    assert np.count_nonzero(np.abs(error) < study.NORMAL * u) >= 20  # of 25; 23.75 are expected
    assert np.count_nonzero(np.abs(error) < study.NORMAL * blocks) <= 18
    assert u.mean() < 5.0  # 12 g/min is seen in calm air
