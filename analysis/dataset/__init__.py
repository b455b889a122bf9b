"""Load one run as calibrated channels.

Takes a run folder or counts; gives calibrated channels on one time axis.
May import: analysis/budget, analysis/calibration, analysis/findings, analysis/physics, analysis/results,
analysis/signal, daq/config, daq/findings, daq/run, daq/stand_sheets.
"""
