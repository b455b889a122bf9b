"""Name what an input may measure: the words of ``stand.toml``, and what the program asks of each.

The words are also the first part of what predictions and curves are called, ``"tank pressure/oxidiser"``. Outside
this module they are named by these constants.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

THRUST: Final = "thrust"
TANK_PRESSURE: Final = "tank pressure"
MANIFOLD_PRESSURE: Final = "manifold pressure"
CHAMBER_PRESSURE: Final = "chamber pressure"
LIQUID_MASS: Final = "liquid mass"
CAUGHT_MASS: Final = "caught mass"
LIQUID_FLOW: Final = "liquid flow"
VENTURI_PRESSURE: Final = "venturi pressure"
TEMPERATURE: Final = "temperature"
SUPPLY_VOLTAGE: Final = "supply voltage"
OTHER: Final = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurand:
    """One thing that an input may measure."""

    name: str
    dimensions: tuple[str, ...]  # of readings; none: any
    needs_tank: bool = False
    needs_flow_area: bool = False  # of the venturi or orifice whose pressure difference it is
    can_freeze: bool = False  # always moves in a run: where its counts stand still, it is stuck
    is_of_vessel: bool = False  # pressure of a vessel: its sensors must agree at any time
    is_of_burn: bool = False  # rises with the burn and ends with it
    is_moved_by_flow: bool = False  # of a cold flow, or another channel hangs on it
    may_be_spare: bool = False  # several of them may share one load, or carry it twice


_TABLE: Final = (
    Measurand(name=THRUST, dimensions=("force",), is_of_burn=True, may_be_spare=True),
    Measurand(
        name=TANK_PRESSURE,
        dimensions=("pressure",),
        needs_tank=True,
        can_freeze=True,
        is_of_vessel=True,
        is_moved_by_flow=True,
    ),
    Measurand(
        name=MANIFOLD_PRESSURE, dimensions=("pressure",), needs_tank=True, can_freeze=True, is_moved_by_flow=True
    ),
    Measurand(name=CHAMBER_PRESSURE, dimensions=("pressure",), can_freeze=True, is_of_vessel=True, is_of_burn=True),
    Measurand(name=LIQUID_MASS, dimensions=("mass",), is_moved_by_flow=True),
    Measurand(name=CAUGHT_MASS, dimensions=("mass",), is_moved_by_flow=True),
    Measurand(name=LIQUID_FLOW, dimensions=("mass flow", "volume flow"), is_moved_by_flow=True),
    Measurand(name=VENTURI_PRESSURE, dimensions=("pressure",), needs_flow_area=True, is_moved_by_flow=True),
    Measurand(name=TEMPERATURE, dimensions=("temperature",)),
    Measurand(name=SUPPLY_VOLTAGE, dimensions=("voltage",), is_moved_by_flow=True),
    Measurand(name=OTHER, dimensions=()),
)
MEASURANDS: Final[Mapping[str, Measurand]] = {measurand.name: measurand for measurand in _TABLE}


def of_tank(name: str, tank: str | None) -> str:
    """Name a measurand of one tank as predictions and curves do, ``"tank pressure/fuel"``; alone where it has none."""
    return f"{name}/{tank}" if tank else name
