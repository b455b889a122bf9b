"""Readings as the analysis makes them, of one stream, without a data set."""

from standbook.daq.config.calibration import to_si
from standbook.daq.config.measurands import SUPPLY_VOLTAGE
from standbook.daq.config.signal_conversion import signal_from_counts
from standbook.daq.quantity import parse_quantity


def readings(stand, calibrations, counts):
    """Readings [SI] by tag from counts by tag, all of one length; supplies first, since others are scaled by them."""
    found = {}
    for tag in sorted(counts, key=lambda tag: stand.input_tagged(tag).measures != SUPPLY_VOLTAGE):
        if tag in calibrations:
            item, calibration = stand.input_tagged(tag), calibrations[tag]
            signal = signal_from_counts(item, counts[tag], _supply(item, found))
            found[tag] = to_si(calibration.reading(signal), calibration)
    return found


def _supply(item, found):
    if item.supply is None:
        return 1.0
    return found[item.supply] if item.supply in found else parse_quantity(item.supply, "voltage").value
