"""An angle only hides: mean and scatter of what it hides, worked and drawn."""

import math

import numpy as np
import pytest
from pydantic import ValidationError

from standbook.analysis.budget.alignment import misalignment
from standbook.analysis.results.quantities import Measured
from standbook.daq.config.stand_interaction import StandInteraction


def path(**typed):
    return StandInteraction.model_validate(typed)


@pytest.mark.parametrize(("angle", "mean", "u"), [("1.5 deg", 0.034e-2, 0.048e-2), ("3 deg", 0.137e-2, 0.194e-2)])
def test_the_mean_of_a_half_normal_angle_is_put_back(angle, mean, u):
    # s²/2 and root two times that, by hand.
    found = misalignment(path(angle=angle))
    assert found.mean == pytest.approx(mean, rel=0.01)
    assert found.u == pytest.approx(u, rel=0.01)


def test_drawn_angles_hide_what_is_put_back():
    scale = math.radians(1.5)
    hidden = 1.0 / np.cos(scale * np.abs(np.random.default_rng(1).standard_normal(400_000))) - 1.0
    found = misalignment(path(angle="1.5 deg"))
    assert found.mean == pytest.approx(np.mean(hidden), rel=0.01)
    assert found.u == pytest.approx(np.std(hidden), rel=0.02)


def test_a_share_is_the_same_angle_typed_as_its_uncertainty():
    found = misalignment(path(alignment="0.10 %"))
    assert found.u == pytest.approx(0.001)
    assert found.mean == pytest.approx(0.001 / math.sqrt(2.0))


def test_less_than_half_a_degree_counts_as_half_a_degree_and_is_told_where_it_was_typed():
    least = misalignment(path())
    assert least.mean == pytest.approx(math.radians(0.5) ** 2 / 2.0)
    assert least.claimed is None
    sure = misalignment(path(angle="0.1 deg"))
    assert (sure.mean, sure.u, sure.claimed) == (least.mean, least.u, pytest.approx(math.radians(0.1)))


def test_a_pull_goes_through_the_angle_and_holds_it():
    points = [
        {"reference": f"{f} N", "cell": f"{f / 1.01!r} N", "line": f"{p} bar(g)"}
        for p in (0, 30)
        for f in (0, 900, 2000)
    ]
    found = misalignment(path(pull=points, angle="2 deg"))
    assert (found.mean, found.u) == (0.0, 0.0)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"angle": "12 deg"}, 'angle "12 deg" must lie between 0 and 10 deg'),
        ({"angle": "0 deg"}, 'angle "0 deg" must lie between 0 and 10 deg'),
        ({"angle": "1 %"}, "unknown unit '%' for angle"),
        ({"angle": "1 deg", "alignment": "0.1 %"}, "angle and alignment say the same"),
    ],
)
def test_an_angle_that_is_none_is_refused_in_a_sentence(typed, said):
    with pytest.raises(ValidationError, match=said):
        path(**typed)


def test_an_angle_that_a_check_found_is_put_back_as_found():
    # 3 deg, known to 0.2 deg: 1 - cos hides 0.137 % and its u is sin(3 deg) * 0.2 deg, 0.0183 %; by hand
    found = misalignment(path(angle="1 deg"), Measured(1.37047e-3, 1.827e-4, "1"))
    assert found.mean == pytest.approx(1.0 / math.cos(math.radians(3.0)) - 1.0, rel=1e-5)
    assert (found.u, found.claimed) == (1.827e-4, None)
    assert misalignment(path(), Measured(0.0, 1e-7, "1")).u == pytest.approx(misalignment(path()).u)  # at the least
    points = [{"reference": f"{f} N", "cell": f"{f} N", "line": f"{p} bar(g)"} for p in (0, 30) for f in (0, 900, 2000)]
    assert misalignment(path(pull=points), Measured(1e-3, 1e-4, "1")).mean == 0.0  # the factor holds it
