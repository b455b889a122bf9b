"""A run among the others of its campaign.

Takes plans and analysed runs; gives predictions held against earlier runs, and what one run says of the next.
May import: analysis/dataset, analysis/findings, analysis/kinds, analysis/physics, analysis/prediction,
analysis/results, analysis/several_runs, analysis/stand_checks, daq/config, daq/findings, daq/kinds, daq/run,
daq/stand_sheets.
"""
