import subprocess
import sys

import pytest

from standbook.analysis.physics import fluids
from standbook.daq.errors import DataError

ROOM = 293.15
BAR = 1e5


# [CIPM2001]: 20 and 25 °C confirmed, 5 and 15 °C computed from it.
@pytest.mark.parametrize(("celsius", "expected"), [(5, 999.9668), (15, 999.1026), (20, 998.2067), (25, 997.0470)])
def test_water_has_the_density_of_the_metrologia_table(celsius, expected):
    assert fluids.water_density(celsius + 273.15) == pytest.approx(expected, abs=5.1e-5)


@pytest.mark.parametrize("celsius", [5, 15, 20, 25])
def test_two_independent_water_formulations_agree(celsius):
    """IAPWS-95 and CIPM are 0.0006 kg/m³ apart at most."""
    other = fluids.density("water", pressure=101325.0, temperature=celsius + 273.15)
    assert fluids.water_density(celsius + 273.15) == pytest.approx(other, abs=6.5e-4)


@pytest.mark.parametrize("kelvin", [272.0, 313.2])
def test_water_density_refuses_what_the_formula_does_not_cover(kelvin):
    with pytest.raises(DataError, match="0 to 40 degC"):
        fluids.water_density(kelvin)


# [Perry9] Table 2-135, water saturation; confirmed.
@pytest.mark.parametrize(("kelvin", "expected"), [(280.0, 992.0), (290.0, 1920.0), (300.0, 3537.0)])
def test_water_boils_at_the_handbook_pressure(kelvin, expected):
    assert fluids.vapour_pressure("water", temperature=kelvin) == pytest.approx(expected, abs=0.5)


# [WebBook], isobaric properties for oxygen at 0.020 MPa; confirmed.
@pytest.mark.parametrize(("kelvin", "expected"), [(54.361, 1306.1), (64.361, 1262.6), (74.361, 1216.9)])
def test_liquid_oxygen_has_the_tabulated_density(kelvin, expected):
    assert fluids.density("LOX", pressure=20e3, temperature=kelvin) == pytest.approx(expected, abs=0.05)


# Computed once with CoolProp 8.0.0 (Span et al. 2000), not published: guards the formula and the units.
@pytest.mark.parametrize(("bar", "expected"), [(1, 1.40104), (10, 1.41489), (35, 1.45938)])
def test_nitrogen_has_a_pressure_dependent_isentropic_exponent(bar, expected):
    got = fluids.isentropic_exponent("nitrogen", pressure=bar * BAR, temperature=ROOM)
    assert got == pytest.approx(expected, abs=6e-6)


@pytest.mark.parametrize(
    ("gas", "start", "end"), [("GN2", 1.459, 1.432), ("air", 1.455, 1.429), ("helium", 1.691, 1.680)]
)
def test_the_local_exponent_of_a_gas_falls_with_pressure(gas, start, end):
    """Derived with the same library elsewhere, at 293 K and 35, 20 bar; three printed decimals."""
    assert fluids.isentropic_exponent(gas, pressure=35 * BAR, temperature=ROOM) == pytest.approx(start, abs=6e-4)
    assert fluids.isentropic_exponent(gas, pressure=20 * BAR, temperature=ROOM) == pytest.approx(end, abs=6e-4)


def test_adiabatic_nitrogen_from_35_to_20_bar_has_a_chord_of_1_446():
    """Derived elsewhere from the same case: 1.446, not 1.40."""
    got = fluids.chord_isentropic_exponent("nitrogen", start_pressure=35 * BAR, end_pressure=20 * BAR, temperature=ROOM)
    assert got == pytest.approx(1.446, abs=5e-4)


def test_nitrogen_that_doubles_its_volume_reads_as_1_4381():
    """Derived: from 35 bar, 20 °C, P/P0 = 0.36904644092 and apparent n = 1.43812571798."""
    got = fluids.chord_isentropic_exponent(
        "nitrogen", start_pressure=35 * BAR, end_pressure=0.36904644092 * 35 * BAR, temperature=ROOM
    )
    assert got == pytest.approx(1.43812571798, abs=1e-8)


PERMANENT = ["nitrogen", "helium", "argon", "air", "oxygen", "methane"]


@pytest.mark.parametrize("celsius", [-20.0, 20.0, 50.0])
@pytest.mark.parametrize("gas", [*PERMANENT, "carbon dioxide"])
def test_a_thin_gas_is_what_the_property_library_has_at_one_bar(gas, celsius):
    """Against the library's equations of state: both within 2 %."""
    kelvin = celsius + 273.15
    constant, ratio = fluids.thin_gas(gas, temperature=kelvin)
    density = fluids.density(gas, pressure=BAR, temperature=kelvin)
    assert constant == pytest.approx(BAR / (density * kelvin), rel=0.02)
    assert ratio == pytest.approx(fluids.isentropic_exponent(gas, pressure=BAR, temperature=kelvin), rel=0.02)


@pytest.mark.parametrize("bar", [2, 20, 50])
@pytest.mark.parametrize("celsius", [-10.0, 20.0, 40.0])
@pytest.mark.parametrize("gas", PERMANENT)
def test_a_pressurant_is_as_dense_as_the_property_library_has_it(gas, celsius, bar):
    """Against the library's equations of state: within 2 %, methane 4 %."""
    state = {"pressure": bar * BAR, "temperature": celsius + 273.15}
    allowed = 0.04 if gas == "methane" else 0.02
    assert fluids.pressurant_density(gas, **state) == pytest.approx(fluids.density(gas, **state), rel=allowed)


def test_a_pressurant_that_condenses_is_asked_of_the_property_library():
    state = {"pressure": 60 * BAR, "temperature": ROOM}
    assert fluids.pressurant_density("carbon dioxide", **state) == fluids.density("carbon dioxide", **state)


def test_a_dilute_monatomic_gas_has_the_exponent_of_kinetic_theory():
    assert fluids.isentropic_exponent("argon", pressure=100.0, temperature=ROOM) == pytest.approx(5 / 3, abs=1e-5)


@pytest.mark.parametrize("name", ["Liquid Oxygen", "liquid-oxygen", " LOX ", "liquid_oxygen"])
def test_trade_names_are_read_in_any_spelling(name):
    expected = fluids.density("oxygen", pressure=101325.0, temperature=85.0)
    assert fluids.density(name, pressure=101325.0, temperature=85.0) == expected


@pytest.mark.parametrize("name", fluids.known_fluids())
def test_every_name_offered_resolves_to_a_fluid(name):
    assert fluids.density(name, pressure=101325.0, temperature=310.0) > 0.0


def test_an_unknown_fluid_is_named_with_what_to_do():
    with pytest.raises(DataError, match=r"'unobtainium' is not known.*in the plan"):
        fluids.density("unobtainium", pressure=1e5, temperature=ROOM)


def test_a_state_outside_the_fluid_is_one_sentence():
    with pytest.raises(DataError, match="nitrogen: no properties at T = 293"):
        fluids.vapour_pressure("nitrogen", temperature=ROOM)


def test_a_chord_needs_two_pressures():
    with pytest.raises(DataError, match="no chord exponent"):
        fluids.chord_isentropic_exponent("air", start_pressure=1e5, end_pressure=1e5, temperature=ROOM)


def test_importing_the_module_does_not_load_the_property_library():
    code = "import sys, standbook.analysis.physics.fluids; sys.exit(any(m.startswith('CoolProp') for m in sys.modules))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
