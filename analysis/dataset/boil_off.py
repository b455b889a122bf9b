"""How much of a weighed cryogenic load may have boiled off before its vent was closed. SI; pure."""

from standbook.analysis.dataset.dataset import Weighing

BOILS, BOILS_LOAD = 25e-3 / 60.0, 10.0  # kg/s that may boil off, at most, of a load of so many kg; judgement
UNKNOWN_FOR = 600.0  # s that are named where nobody wrote down how long a load stood vented


def greatest_boil_off(load: float, weighing: Weighing) -> tuple[float, float]:
    """Return for how long a load [kg] stood vented [s], as far as it is known, and the most it may have lost [kg].

    The bound grows as the surface of the load does, with the two-thirds power of its mass. Derived from a judgement.
    """
    vented = weighing.vented if weighing.vented is not None else UNKNOWN_FOR
    return vented, BOILS * (load / BOILS_LOAD) ** (2.0 / 3.0) * vented
