"""The worked numbers of the guide's page on diagnosis are those of the code."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.cold_flow.flow_contradictions import AMOUNT_RATIOS, CHORDS, LITTLE, NEAR, PRESSURE_RATIOS
from standbook.analysis.diagnosis.flow_causes import CHOKED, HEAT
from standbook.analysis.diagnosis.flow_evidence import NAMES, Evidence, predicted
from standbook.analysis.diagnosis.ranking import ALARM, SIGNATURE_SHARE
from standbook.analysis.physics.ullage_model import Faults, Vessel, courses, gas_at
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "diagnosis.md").read_text(encoding="utf-8")
VESSEL = Vessel(
    ullage_volume=0.020,
    section=math.pi / 4.0 * 0.23**2,
    density=998.2,
    back_pressure=1e5,
    start_pressure=35e5,
    expelled_mass=9.5,
    length=10.0,
    head=None,
    load=9.98,
    reads_zero_at=1e5,
)
GAS = gas_at("nitrogen", start_pressure=35e5, end_pressure=21e5, temperature=293.15)
CHOKED_PER_M2 = CHOKED * math.sqrt(35e5 * GAS.density)  # kg/s through one square metre
ABOARD = GAS.density * 0.020  # kg of gas
ROWS = {
    "nothing": {},
    "leak of 1 mm2 from the ullage": {"leak": 1e-6 * CHOKED_PER_M2 / ABOARD},
    "supply leaks in, 1 g/s": {"feed": 1e-3 / ABOARD},
    "supply left open": {"held": 1.0},
    "ullage 10 % larger than noted": {"volume": 0.1},
    "ullage 10 % smaller": {"volume": -0.1},
    "5 % more left than weighed": {"mass": 0.05},
    "zero 1.5 bar high": {"zero": 1.5e5},
    "gauge taken for absolute": {"zero": -1e5},
    "gas 20 K too warm": {"warm": 20.0},
    "gas 20 K too cold": {"warm": -20.0},
    "liquid or wall 100 K colder": {"cold": 100.0},
    "valve creeps shut 2 %/s": {"creep": -0.02},
    "valve creeps open 2 %/s": {"creep": 0.02},
    "stroke of 1.5 s": {"stroke": 1.5},
}


@pytest.mark.parametrize("row", ROWS)
def test_the_signatures_of_the_page_are_computed(row):
    faults = replace(Faults.none(1, heat=0.8), warm=np.array([2.5]))
    faults = replace(faults, **{name: np.array([value]) for name, value in ROWS[row].items()})
    blank = Evidence(
        observed=np.zeros(len(NAMES)),
        noise=np.zeros((len(NAMES),) * 2),
        vessel=VESSEL,
        static=None,
        times=np.linspace(0.04, 9.96, 120),
    )
    found = dict(zip(NAMES, predicted(courses(VESSEL, GAS, faults), faults, blank)[0], strict=True))
    cells = re.search(rf"^\| {re.escape(row)} \| (\S+) \| (\S+) \| (\S+) \|", PAGE, re.MULTILINE)
    start, chord, before = (float(cell) for cell in cells.groups())
    assert found["start exponent"] == pytest.approx(start, abs=0.006)
    assert found["chord exponent"] == pytest.approx(chord, abs=0.006)
    assert 35.0 * found["before"] == pytest.approx(before, abs=6e-4)


def test_the_rule_of_the_page_is_the_one_of_the_code():
    assert f"({SIGNATURE_SHARE:g} effect)²" in PAGE
    assert f"exp({ALARM:g})" in PAGE
    assert f"{HEAT[0]:g} to {HEAT[-1]:g} times" in " ".join(PAGE.split())


def test_the_worked_leak():
    page = " ".join(PAGE.split())
    flow = 1e-6 * CHOKED_PER_M2
    said = re.search(r"passes (\S+) A root\(P rho\)\. With P = 35 bar and rho = (\S+) kg/m³ that is (\S+) g/s", page)
    factor, density, printed = (float(figure) for figure in said.groups())
    # a diatomic gas: root(1.4) (2 / 2.4)^3, and what the page prints is what its own figures make
    assert factor == pytest.approx(math.sqrt(1.4) * (2.0 / 2.4) ** 3, abs=5e-5)
    assert factor == pytest.approx(CHOKED, abs=5e-4)
    assert density == pytest.approx(GAS.density, abs=0.05)
    assert printed == pytest.approx(1e3 * factor * 1e-6 * math.sqrt(35e5 * density), abs=0.005)
    assert f"20 L hold {ABOARD:.2f} kg, so {100.0 * flow / ABOARD:.1f} % of the gas" in page


def test_a_flow_that_contradicts_itself_is_told_by_the_limits_of_the_code():
    page = " ".join(PAGE.split())
    assert f"within {100.0 * NEAR:.0f} % | another unit" in page
    assert {round(max(ratio, 1.0 / ratio), 1) for ratio in PRESSURE_RATIOS} == {14.5, 10.0, 100.0}
    assert {round(max(ratio, 1.0 / ratio), 1) for ratio in AMOUNT_RATIOS} == {2.2, 1000.0}
    assert f"a mean exponent outside {CHORDS[0]:g} to {CHORDS[1]:g}" in page
    assert LITTLE == 0.1  # "a tenth"
    first, both = (998.2 * 0.012 * ((30.3 / pressure) ** (1.0 / 1.3) - 1.0) for pressure in (22.2, 17.9))
    assert f"at 22.2 bar(a) {first:.2f} kg have left, at 17.9 bar(a) {both:.2f} kg" in page
