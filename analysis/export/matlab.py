"""Write channels, thrust and results as a MATLAB file of level 5, one structure a subject."""

import io
import re

import pandas as pd
from scipy.io import savemat

from standbook.analysis.export.csv_files import identity
from standbook.analysis.export.shown_columns import shown
from standbook.analysis.opened_run import Run
from standbook.daq.config import measurands
from standbook.daq.display_units import Chosen

LONGEST = 31  # characters of a name


def matlab_file(run: Run, frame: pd.DataFrame, chosen: Chosen) -> bytes:
    """Return the file: ``channels``, ``thrust`` and ``results`` where there are such, ``about``; results as stored."""
    units = frame.attrs["units"]
    content: dict[str, object] = {
        "channels": {
            "time_s": frame.index.to_numpy(),
            **{name_of(tag): frame[tag].to_numpy() for tag in frame.columns},
            "units": {name_of(tag): units[tag] for tag in frame.columns},
        },
        "about": {name_of(key): "" if value is None else value for key, value in identity(run).items()},
    }
    if run.is_analysed:
        table = run.table()
        content["results"] = {
            name_of(str(quantity)): {"value": row.value, "u": row.u, "unit": row.unit}
            for quantity, row in zip(table.index, table.itertuples(index=False), strict=True)
        }
        if run.results.impulse is not None:
            thrust = run.thrust()
            values, unit = shown(thrust.to_numpy(), "N", chosen)
            content[measurands.THRUST] = {"time_s": thrust.index.to_numpy(), f"thrust_{unit}": values}
    file = io.BytesIO()
    savemat(file, content, long_field_names=True)  # type: ignore[arg-type] # the stubs know no file in memory
    return file.getvalue()


def name_of(text: str) -> str:
    """Make a name that MATLAB takes: letters, digits and underscores, a letter first."""
    name = re.sub(r"\W+", "_", text).strip("_")
    return (name if name[:1].isalpha() else f"x_{name}")[: 2 * LONGEST + 1]
