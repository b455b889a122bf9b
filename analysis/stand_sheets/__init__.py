"""Work out what was done to a stand in place: a pull, a tap test, a hold, a load; each from its sheet or recording.

Takes sheets and sealed recordings; gives frozen results, their files' texts and their sentences.
May import: analysis/budget, analysis/calibration, analysis/calibration_sheet, analysis/physics,
analysis/report/content, analysis/results, analysis/signal, analysis/stand_checks, daq/bench, daq/config, daq/run,
daq/stand_sheets.
"""
