"""Static for total pressure in a finite chamber, and a throat that grows, against tables and hand calculations."""

import pytest

from standbook.analysis.physics.finite_chamber import (
    end_over_total,
    face_over_total,
    hot_area_growth,
    subsonic_mach,
)


def test_mach_and_pressure_are_those_of_the_isentropic_table_of_air():
    # NACA Report 1135, table I, gamma 1.4, M 0.30: A/A* 2.0351, p/pt 0.9395 (from memory)
    assert subsonic_mach(2.0351, 1.4) == pytest.approx(0.300, abs=1e-4)
    assert end_over_total(2.0351, 1.4) == pytest.approx(0.9395, abs=1e-4)


@pytest.mark.parametrize(
    ("ratio", "mach", "end", "face"),
    # computed once with another program for gamma 1.2; 1 + gamma M^2 is the closed form
    [(2.0, 0.3122, 0.9434, 1.0538), (3.0, 0.2018, 0.9759, 1.0236), (6.0, 0.0992, 0.9941, 1.0059)],
)
def test_a_narrow_chamber_reads_high_at_the_face_and_low_before_the_nozzle(ratio, mach, end, face):
    assert subsonic_mach(ratio) == pytest.approx(mach, abs=1e-4)
    assert end_over_total(ratio) == pytest.approx(end, abs=1e-4)
    assert face_over_total(ratio) == pytest.approx(face, abs=1e-4)


def test_the_face_reads_over_the_end_as_a_published_fit_has_it():
    # Huzel and Huang, equation 1-15 as quoted on a page on finite-area combustors: 1 + 0.54 / ratio^2.2
    for ratio in (2.0, 3.0, 6.0):
        assert face_over_total(ratio) / end_over_total(ratio) == pytest.approx(1.0 + 0.54 / ratio**2.2, abs=2e-3)


def test_a_heat_capacity_ratio_a_little_off_hardly_matters():
    for gamma in (1.15, 1.25):
        assert face_over_total(4.0, gamma) - 1.0 == pytest.approx(face_over_total(4.0) - 1.0, rel=0.06)


def test_a_hot_throat_grows_as_the_expansion_of_its_material_says():
    # copper, 17e-6 /K (handbook, from memory), 400 K warmer: 2 x 0.0068 = 1.36 %, by hand with the square 1.365 %
    assert hot_area_growth(17e-6, 400.0) == pytest.approx(0.013646, abs=1e-6)


def test_a_chamber_as_narrow_as_its_throat_is_none():
    with pytest.raises(ValueError, match="no chamber"):
        subsonic_mach(1.0)
