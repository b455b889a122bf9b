"""Put exported columns into the units that people are shown; a column whose unit is not chosen keeps every digit."""

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standbook.daq.display_units import Chosen, shown_unit
from standbook.daq.quantity import in_unit


def shown_frame(frame: pd.DataFrame, chosen: Chosen) -> pd.DataFrame:
    """Return readings in the chosen units, their names in ``attrs["units"]``; absolute and gauge stay as they are."""
    stored = frame.attrs["units"]
    units = {tag: shown_unit(unit, chosen) for tag, unit in stored.items()}
    changed = {tag: shown(frame[tag].to_numpy(), stored[tag], chosen)[0] for tag in units if units[tag] != stored[tag]}
    if not changed:
        return frame
    made = frame.assign(**changed)
    made.attrs = {**frame.attrs, "units": units}
    return made


def shown(values: NDArray[np.floating[Any]], stored: str, chosen: Chosen) -> tuple[NDArray[np.floating[Any]], str]:
    """Return values (N,) of a unit without an offset in the unit that they are shown in, and that unit."""
    unit = shown_unit(stored, chosen)
    return (values if unit == stored else np.asarray(values / in_unit(1.0, stored) * in_unit(1.0, unit))), unit
