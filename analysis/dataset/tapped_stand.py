"""Put the modes and the moving mass of a tap test in the place of those that the stand file states. SI."""

import math

from standbook.analysis.findings.channels import TAPS_DIFFER
from standbook.daq.config.stand import Stand
from standbook.daq.findings.finding import Finding
from standbook.daq.stand_sheets.tap_file import TapFile, tapped

APART = 3.0  # u
UNSTATED = 0.01  # of a typed mode without its u; judgement


def tapped_stand(stand: Stand, taps: TapFile | None) -> tuple[Stand, list[Finding]]:
    """Return the stand as tapped, and say where its first mode is not what the stand file states."""
    if taps is None:
        return stand, []
    found = tapped(stand, taps)
    if not stand.modes:
        return found, []
    now, typed = found.modes[0], stand.modes[0]
    if abs(now.value - typed.value) <= APART * math.hypot(now.u, typed.u or UNSTATED * typed.value):
        return found, []
    return found, [TAPS_DIFFER.at(None, found=now.value, u=now.u, typed=typed.value)]
