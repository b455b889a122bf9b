"""The text of a pull's sheet whose forces are still to be taken."""

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Input

STEPS = 5
SHARE = 0.6  # of the calibrated range, to begin with; near the greatest thrust is best
LINES = ("0 bar(g)", "31 bar(g)")

_HEAD = """\
# A pull against a reference cell in the line of thrust, hoses as they will be: standbook guide calibrating
# One run up and down with the lines empty, one at working pressure. Nobody near a loaded line or a pressurised hose.
tag = "{tag}"
by = ""
sensor = {{ serial = "{serial}", signal_unit = "{signal}" }}
reference = {{ what = "reference cell", serial = "", certificate_u = "0.2 %" }}
angle = "1 deg"   # between pull and thrust line, as an inclinometer leaves it open
"""


def new_pull_text(item: Input, calibration: Calibration) -> str:
    """Return the text of a sheet: up and down twice, the lines empty and at pressure.

    Parameters
    ----------
    item : Input
        The stand's cell.
    calibration : Calibration
        Its newest; the forces stay inside of its range.
    """
    top = SHARE * calibration.highest
    up = [top * step / STEPS for step in range(STEPS + 1)]
    ways = [(force, "up") for force in up] + [(force, "down") for force in up[-2::-1]]
    rows = "".join(f'  ["{force:.6g} {calibration.reading_unit}", "{way}"],\n' for force, way in ways)
    head = _HEAD.format(tag=item.tag, serial=calibration.sensor_serial, signal=calibration.signal_unit)
    return head + "".join(f'\n[[run]]\nline = "{line}"\nreadings = [\n{rows}]\n' for line in LINES)
