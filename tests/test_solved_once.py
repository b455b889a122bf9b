"""Solutions that tests share are those of the present sources, and whole."""

import dataclasses

import numpy as np
import pytest

from tests import solved_once
from tests.analysis.scenario_fixture import COLD
from tests.solved_once import SolvedOnce, folder_in, once_a_process


@pytest.fixture
def counted(tmp_path):
    """A solver that counts how often it had to solve."""
    asked = []

    def solve(world):
        asked.append(world)
        return {"load": world.tanks[0].load, "number": len(asked)}

    return SolvedOnce(solve, tmp_path), asked


def test_a_world_is_solved_once_and_comes_back_as_it_was(counted):
    solve, asked = counted
    assert solve(COLD) == solve(dataclasses.replace(COLD)) == {"load": 8.0, "number": 1}
    assert asked == [COLD]


def test_a_world_that_differs_in_the_last_bit_is_another(counted):
    solve, asked = counted
    solve(COLD)
    other = dataclasses.replace(COLD, ambient_pressure=COLD.ambient_pressure * (1.0 + 2**-52))
    assert solve(other)["number"] == 2
    assert len(asked) == 2


def test_a_file_that_is_not_whole_yet_is_not_read(counted, tmp_path):
    solve, _ = counted
    solve(COLD)
    (kept,) = tmp_path.iterdir()
    kept.rename(kept.with_suffix(".4711"))  # as another process would have it in work
    assert solve(COLD)["number"] == 2
    assert kept.exists()


def test_solutions_of_other_sources_go(tmp_path, monkeypatch):
    place, cache = tmp_path / "simulation", tmp_path / "cache"
    place.mkdir()
    cache.mkdir()
    monkeypatch.setattr(solved_once, "SOURCES", place)
    (place / "gas.py").write_text("R = 8.314\n", encoding="utf-8")
    first = folder_in(cache)
    (first / "a.pickle").write_bytes(b"kept")
    assert folder_in(cache) == first
    assert (first / "a.pickle").exists()
    (place / "gas.py").write_text("R = 8.3145\n", encoding="utf-8")
    second = folder_in(cache)
    assert list(cache.iterdir()) == [second]
    assert list(second.iterdir()) == []


def test_a_plans_loads_are_fired_once_a_process_and_other_shares_again(hf02_campaign):
    asked = []

    def fire(plan, shares):
        asked.append((plan.test.number, shares.size))
        return shares, 2.0 * shares

    fired = once_a_process(fire)
    plan, few = hf02_campaign.plan, np.array([0.5, 1.0])
    assert fired(plan, few)[1].tolist() == fired(plan.model_copy(), few.copy())[1].tolist() == [1.0, 2.0]
    assert asked == [("HF-02", 2)]
    lighter = plan.model_copy(update={"tank": tuple(reversed(plan.tank))})
    assert fired(lighter, few)[0].tolist() == [0.5, 1.0]
    assert fired(plan, np.array([0.5, 1.0 + 2**-52]))[0][1] > 1.0
    assert len(asked) == 3
