"""The text of a readings sheet whose levels are still to be taken."""

from standbook.analysis.calibration.readings_sheet import REFERENCES
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Input

RUNS = 3
STEPS = 5  # from the lowest to the highest level
UNITS = {"pressure": ("bar(g)", 60.0), "force": ("N", 5000.0), "voltage": ("V", 5.0), "temperature": ("degC", 100.0)}
"""Unit and highest level of a measurand of which no revision is there to go by; to be corrected by who knows."""

_HEAD = """\
# What is read on the bench, nothing computed: standbook guide calibrating
# Write what the reference is, and levels over the range that will be used; then take them with --port.
tag = "{tag}"
by = ""
sensor = {{ serial = "{serial}", state = "as found", signal_unit = "{signal}" }}
# what: {references}
reference = {{ what = "test gauge", serial = "", class = "0.25 % of {highest} {unit}" }}
# liquid and sensor_above_reference for a pressure, latitude and height for masses
place = {{ }}
"""


def new_sheet_text(item: Input, last: Calibration | None) -> str:
    """Return the text of a sheet: three runs, up and down, over the range of the last revision.

    Parameters
    ----------
    item : Input
        Of the stand.
    last : Calibration or None
        The newest revision; without one the range is a usual one, to be corrected.
    """
    unit, highest = _range(item, last)
    lowest = last.lowest if last is not None else 0.0
    up = [lowest + (highest - lowest) * step / STEPS for step in range(STEPS + 1)]
    ways = [(level, "up") for level in up] + [(level, "down") for level in up[-2::-1]]
    rows = "".join(f'  ["{level:.6g} {unit}", "{way}"],\n' for level, way in ways)
    head = _HEAD.format(
        tag=item.tag,
        serial=item.sensor_serial,
        signal=item.sensor_kind.signal_unit,
        references=", ".join(REFERENCES),
        highest=f"{highest:.6g}",
        unit=unit,
    )
    return head + "".join(f"\n[[run]]\nreadings = [\n{rows}]\n" for _ in range(RUNS))


def _range(item: Input, last: Calibration | None) -> tuple[str, float]:
    if last is not None:
        return last.reading_unit, last.highest
    known = [UNITS[dimension] for dimension in item.measurand.dimensions or () if dimension in UNITS]
    return known[0] if known else UNITS["pressure"]
