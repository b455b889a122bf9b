"""A value with its standard uncertainty: the word that results are written in. SI unless the unit says otherwise."""

from dataclasses import dataclass

from standbook.daq.errors import DataError
from standbook.daq.quantity import SI_UNIT, dimension_of, in_unit


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty."""

    value: float
    u: float
    unit: str


def to_units(measured: Measured, unit: str) -> Measured:
    """Return a quantity in another unit of its dimension, ``"bar(a)"`` or ``"lbf"``; SI pressures are absolute.

    Raises
    ------
    DataError
        The unit is not known, is of another dimension, or asks for a gauge pressure of an absolute one.
    """
    try:
        dimension = dimension_of(unit)
        if SI_UNIT[dimension] != measured.unit:
            raise DataError(f"{unit}: is no unit of {measured.unit}")
    except ValueError:
        raise DataError(f"{unit}: is no unit that is known here") from None
    if unit.endswith("(g)"):
        raise DataError(f"{unit}: the quantity is absolute; take off the ambient pressure yourself, with its u")
    zero = in_unit(0.0, unit)
    return Measured(in_unit(measured.value, unit), in_unit(measured.u, unit) - zero, unit)
