"""Gas that leaves behind the liquid: masses by the ideal gas law, and their bounds."""

import pytest

from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.gas_aboard import GasState, gas_left
from standbook.daq.errors import DataError

NITROGEN, HELIUM = 296.8, 2077.1  # specific gas constants [J/(kg K)], molar masses 28.013 and 4.0026 g/mol
ROOM = 293.15
BEFORE = GasState(pressure=32e5, volume=9.8e-3)
EMPTY = GasState(pressure=14e5, volume=19.0e-3)


@pytest.mark.parametrize(("name", "constant", "real"), [("nitrogen", NITROGEN, 0.02), ("helium", HELIUM, 0.02)])
def test_a_tank_that_vents_to_air_loses_nearly_all_that_an_ideal_gas_weighs(name, constant, real):
    aboard = BEFORE.pressure * BEFORE.volume / constant / ROOM
    left = gas_left(name, temperature=ROOM, start=BEFORE, end=EMPTY, later=1.0e5)
    warm = 1.0 - 1.0 / 14.0  # of it, if what stays is no colder than at the liquid's end
    assert left.value < (1.0 + real) * warm * aboard
    assert left.value > (1.0 - real) * 0.80 * aboard
    assert 0.1 * left.value < left.u < 0.15 * left.value


def test_a_tank_that_is_shut_in_time_loses_none():
    assert gas_left("nitrogen", temperature=ROOM, start=BEFORE, end=EMPTY, later=14.5e5) == Measured(0.0, 0.0, "kg")


def test_the_longer_gas_leaves_the_more_is_gone():
    left = [gas_left("helium", temperature=ROOM, start=BEFORE, end=EMPTY, later=p).value for p in (13e5, 8e5, 2e5)]
    assert 0.0 < left[0] < left[1] < left[2]


def test_a_gas_that_the_library_does_not_know_is_refused():
    with pytest.raises(DataError):
        gas_left("compressed swamp", temperature=ROOM, start=BEFORE, end=EMPTY, later=1e5)
