"""Report one run.

Takes a run folder with results; gives one HTML file, and a summary for the terminal.
May import: analysis, analysis/campaign, analysis/dataset, analysis/firing, analysis/kinds, analysis/redaction,
analysis/report/content, analysis/report/sections, analysis/results, daq/config, daq/kinds, daq/run, daq/stand_sheets.
"""
