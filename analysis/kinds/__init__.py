"""Kinds of test, each joined with its analysis, prediction and pages.

Takes a dataset or a plan; gives what its kind makes of it.
May import: analysis/budget, analysis/channel_checks, analysis/cold_flow, analysis/dataset, analysis/diagnosis,
analysis/blowdown, analysis/findings, analysis/firing, analysis/impulse, analysis/physics, analysis/prediction,
analysis/pressure_hold,
analysis/report/sections, analysis/results, analysis/signal, analysis/thrust, analysis/witnesses, daq/config,
daq/findings, daq/kinds.
"""
