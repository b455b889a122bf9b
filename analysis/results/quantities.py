"""A value with its standard uncertainty: the word that results are written in. SI unless the unit says otherwise."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty."""

    value: float
    u: float
    unit: str
