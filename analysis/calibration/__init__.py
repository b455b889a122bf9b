"""Calibration of a sensor from what was read on the bench.

Takes a readings sheet, and plain arrays; gives the curve, the reference's error and the uncertainty of a reading.
May import: daq/config.
"""
