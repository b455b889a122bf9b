"""A readings sheet made into the next revision of a calibration, and the page beside it.

Takes a readings sheet and the last revision; gives the text of the calibration file and of its page.
May import: analysis/calibration, analysis/report, analysis/report/content, analysis/report/figures,
analysis/results, analysis/stand_checks, daq/bench, daq/config, daq/kinds, daq/run, daq/stand_sheets.
"""
