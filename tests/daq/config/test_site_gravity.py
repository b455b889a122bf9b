"""Gravity of the site: typed, from the latitude, or not known."""

import math

import pytest
from pydantic import ValidationError

from standbook.daq.config.plan import Site, normal_gravity

AIR = {"ambient_pressure": "97.8 kPa(a)", "ambient_temperature": "18 degC"}


@pytest.mark.parametrize(
    ("degrees", "gravity"),
    # Equator and pole as printed in tables of the World Geodetic System 1984, from memory; 45 deg recomputed.
    [(0.0, 9.7803253359), (90.0, 9.8321849378), (45.0, 9.8061977695)],
)
def test_normal_gravity_is_that_of_the_ellipsoid(degrees, gravity):
    assert normal_gravity(math.radians(degrees)) == pytest.approx(gravity, abs=1e-8)
    assert normal_gravity(-math.radians(degrees)) == normal_gravity(math.radians(degrees))


def test_a_latitude_gives_the_gravity_and_what_height_leaves_open():
    site = Site.model_validate({**AIR, "latitude": "52.1 deg"})
    assert site.gravity.value == pytest.approx(9.8125, abs=1e-3)
    assert site.gravity.u == 1e-3


def test_a_gravity_that_is_typed_is_taken():
    assert Site.model_validate({**AIR, "gravity": "9.8126 +/- 0.0002 m/s2"}).gravity.u == 0.0002


def test_a_place_that_is_not_stated_has_any_gravity_from_equator_to_pole():
    gravity = Site.model_validate(AIR).gravity
    assert gravity.value == 9.80665
    # 9.780 to 9.832, rectangular: 0.15 %
    assert gravity.relative_u == pytest.approx(0.052 / math.sqrt(12.0) / 9.80665)
    assert 100.0 * gravity.relative_u == pytest.approx(0.15, abs=0.005)


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"latitude": "95 deg"}, 'latitude "95 deg" must lie between -90 and 90 deg'),
        ({"latitude": "52.1"}, '"52.1" has no unit; write an angle like "1.5 deg"'),
        ({"latitude": "52 deg", "gravity": "9.81 m/s2"}, "gravity and latitude say the same"),
    ],
)
def test_a_latitude_that_is_none_is_refused_in_a_sentence(typed, said):
    with pytest.raises(ValidationError, match=said):
        Site.model_validate({**AIR, **typed})
