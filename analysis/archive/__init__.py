"""Put what a crew hands to a stranger into one zip, and read such a zip again.

Takes an opened run; gives names, files and bytes, a zip in a file that it is handed, and what a zip holds.
May import: analysis, analysis/channel_checks, analysis/dataset, analysis/export, analysis/kinds, analysis/physics,
analysis/redaction, analysis/report, analysis/results, analysis/thrust, daq/config, daq/run.
"""
