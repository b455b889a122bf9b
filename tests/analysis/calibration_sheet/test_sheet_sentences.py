"""What a sheet says: factors and their direction, and differences that are none."""

import re

import pytest

from standbook.analysis.calibration_sheet.page import calibration_page
from standbook.analysis.calibration_sheet.sheet_sentences import sentences
from tests.analysis.calibration_sheet.test_calibrate import RANGE, worked_out, written
from tests.readings_sheets import cell_sheet, pressure_sheet

CELL = ('signal_unit = "mV/V"', 'signal_unit = "mV/V", range = ["0 N", "50000 N"]')
EXACT = [(kg, way) for kg, way in [(20 * n, "up") for n in range(6)] + [(20 * n, "down") for n in (4, 3, 2, 1, 0)]]


def multiplied(text, factor):
    """The sheet of a sensor whose signals are a factor larger."""
    return re.sub(r'"(\d+\.\d+) (m?V/V)"', lambda m: f'"{float(m[1]) * factor:.9f} {m[2]}"', text)


def exact_sheet():
    """Three runs without any scatter, 0.001 mV/V for each kg."""
    head = cell_sheet().split("[[run]]")[0]
    runs = [
        "[[run]]\nreadings = ["
        + ", ".join(
            f'["{kg} kg", "{way}", "{9 + run:02d}:{place:02d}:00", "{0.02 + 0.001 * kg:.6f} mV/V"]'
            for place, (kg, way) in enumerate(EXACT)
        )
        + "]\n"
        for run in range(3)
    ]
    return head + "".join(runs)


def after(first, second, change):
    """What the second sheet says against the calibration of the first."""
    last = written(worked_out(change, text=first))
    found = worked_out(change, ('state = "as left"', 'state = "as found"'), text=second, last=last)
    return found, sentences(found, "r02")


# A cell that gives half the signal: the last revision reads 50 % less, the new one gives twice the impulse.
@pytest.mark.parametrize(("signals", "way", "percent"), [(0.5, "more", "100 % higher"), (2.0, "less", "50 % lower")])
def test_a_factor_of_two_is_named_and_the_impulses_go_its_way(signals, way, percent):
    _, said = after(cell_sheet(), multiplied(cell_sheet(), signals), CELL)
    assert f"For one signal it reads {way} by a factor of 2.00: another cell, unit or supply?" in said.comparison
    assert f"impulses by the new one are {percent} than by r01. " in said.review[0]


# Definition of the pound-force, 4.4482216 N.
def test_the_ratio_of_a_unit_is_named():
    _, said = after(cell_sheet(), multiplied(cell_sheet(), 1.0 / 4.4482216), CELL)
    assert "by a factor of 4.45, near the N/lbf ratio: another cell, unit or supply?" in said.comparison


@pytest.mark.parametrize("signals", [0.998, 0.77])
def test_another_shift_is_no_factor(signals):
    assert "a factor of" not in after(cell_sheet(), multiplied(cell_sheet(), signals), CELL)[1].comparison


# A tank's sensor that gives 1 % less signal: the new one reads 1 / 0.99 of it, CdA goes with one over the root.
def test_pressures_and_cda_go_opposite_ways():
    text = pressure_sheet(state="as left")
    _, said = after(text, multiplied(text, 0.99), RANGE)
    assert "pressures by the new one are 1.0 % higher than by r01, each CdA 0.50 % lower. " in said.review[0]


def test_what_is_rounding_alone_is_no_difference():
    found, said = after(exact_sheet(), exact_sheet(), CELL)
    assert "agrees with r01, which at the same levels reads the same (same reference" in said.comparison
    assert said.review == ()
    page = calibration_page(found, said, "r02", "readings/LC-1.toml")
    assert page.count("none seen") >= 4


def test_a_power_of_ten_is_raised_on_the_page():
    small = ('signal_unit = "V/V"', 'signal_unit = "V/V", reading_unit = "MPa(g)", range = ["0 MPa(g)", "6 MPa(g)"]')
    fine = ('class = "0.25 % of 60 bar(g)"', 'certificate_u = "0.00001 %"')
    found = worked_out(small, fine, ("0.01 m", "0.0001 m"), text=pressure_sheet(repeat=1e-7))
    page = calibration_page(found, sentences(found, "r01"), "r01", "readings/PT-11.toml")
    assert re.search(r"× 10⁻[⁰¹²³⁴⁵⁶⁷⁸⁹]", page)
    assert "10^" not in page


def test_the_largest_part_is_named_without_a_doubled_word():
    certified = ('scale_interval = "10 g"', 'certificate_u = "0.001 %"')
    found = worked_out(CELL, certified, text=cell_sheet(runs=1))
    assert "mostly from run to run." in sentences(found, "r01").result


def test_a_cell_has_no_row_at_zero_and_says_why():
    zero = ('signal_unit = "mV/V"', 'signal_unit = "mV/V", zero_uncertainty = "2 N"')
    found = worked_out(CELL, zero, text=cell_sheet())
    page = calibration_page(found, sentences(found, "r01"), "r01", "readings/LC-1.toml").replace("\u00a0", " ")
    table = page.partition("<caption>Uncertainty of a later single reading")[2].partition("</table>")[0]
    assert len(re.findall(r"<tr><td", table)) == 4  # quarters of the range
    assert "Zero is taken again before each run" in page
    assert "Zero's own u of 2.0 N is in the file" in page


@pytest.mark.parametrize(
    ("typed", "words", "u"),
    [
        ("0.02 % (k = 2)", "standard uncertainty 0.01 % of reading, 0.02 % (k = 2) divided by its k", 1e-4),
        ("0.02 %", "standard uncertainty 0.02 % of reading, taken as stated: a certificate's U divided by its k", 2e-4),
    ],
)
def test_a_certificate_s_uncertainty_is_said_as_it_is_taken(typed, words, u):
    found = worked_out(RANGE, ('class = "0.25 % of 60 bar(g)"', f'certificate_u = "{typed}"'))
    assert found.of_reading == pytest.approx(u)
    assert f"Certificate: {words}." in sentences(found, "r01").notes
    page = calibration_page(found, sentences(found, "r01"), "r01", "readings/PT-11.toml")
    assert words.partition(",")[0] in page.replace("\u00a0", " ")


# Worked: U = 0.04 bar with k = 2 is u = 0.02 bar.
def test_a_certificate_s_part_beside_it_is_divided_too():
    claim = 'certificate_u = "0.02 % (k = 2)", certificate_level_u = "0.04 bar(g) (k = 2)"'
    found = worked_out(RANGE, ('class = "0.25 % of 60 bar(g)"', claim))
    assert found.of_span == pytest.approx(0.02)
