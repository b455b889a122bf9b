"""The text of a readings sheet whose levels are still to be taken."""

from standbook.analysis.calibration.readings_sheet import REFERENCES
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Input
from standbook.daq.quantity import dimension_of

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
reference = {{ {reference} }}
{hint}
place = {{ }}
"""
_OF_GAUGE = (
    'what = "test gauge", serial = "", class = "0.25 % of {highest} {unit}"',
    "# liquid and sensor_above_reference for the column between both",
)
_OF_FORCE = (
    'what = "reference cell", serial = "", certificate_u = "0.10 % (k = 2)"',
    '# with weights: levels in kg, what = "dead weights", scale_interval = "10 g" of their scale, latitude and height',
)
_REFERENCES = {
    "voltage": ('what = "multimeter", serial = "", certificate_u = "0.05 % (k = 2)"', "# nothing lies in between"),
    "temperature": ('what = "thermometer", serial = "", certificate_u = "0.05 % (k = 2)"', "# nothing lies in between"),
    "force": _OF_FORCE,
    "pressure": _OF_GAUGE,
}
"""What usually vouches for a measurand and what its place needs; to be corrected by who knows."""


def new_sheet_text(item: Input, last: Calibration | None) -> str:
    """Return the text of a sheet: three runs, up and down, over the range of the last revision.

    Parameters
    ----------
    item : Input
        Of the stand.
    last : Calibration or None
        The newest revision; without one the range is a usual one, to be corrected.
    """
    unit, lowest, highest = _range(item, last)
    up = [lowest + (highest - lowest) * step / STEPS for step in range(STEPS + 1)]
    ways = [(level, "up") for level in up] + [(level, "down") for level in up[-2::-1]]
    rows = "".join(f'  ["{level:.6g} {unit}", "{way}"],\n' for level, way in ways)
    reference, hint = _REFERENCES.get(dimension_of(unit), _OF_GAUGE)
    head = _HEAD.format(
        tag=item.tag,
        serial=item.sensor_serial,
        signal=item.sensor_kind.signal_unit,
        references=", ".join(REFERENCES),
        reference=reference.format(highest=f"{highest:.6g}", unit=unit),
        hint=hint,
    )
    return head + "".join(f"\n[[run]]\nreadings = [\n{rows}]\n" for _ in range(RUNS))


def _range(item: Input, last: Calibration | None) -> tuple[str, float, float]:
    """Return unit, lowest and highest level; a cell is loaded from zero one way, and its zero is taken off in use."""
    if last is None:
        known = [UNITS[dimension] for dimension in item.measurand.dimensions or () if dimension in UNITS]
        unit, highest = known[0] if known else UNITS["pressure"]
        return unit, 0.0, highest
    if last.dimension == "force":
        return last.reading_unit, 0.0, max(last.lowest, last.highest, key=abs)
    return last.reading_unit, last.lowest, last.highest
