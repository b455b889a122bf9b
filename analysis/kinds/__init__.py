"""Kinds of test.

Takes a dataset; gives the results of its kind.
May import: analysis/channel_checks, analysis/cold_flow, analysis/dataset, analysis/diagnosis, analysis/discharge,
analysis/findings, analysis/firing, analysis/physics, analysis/results, analysis/signal, analysis/thrust, daq/config,
daq/findings.
"""
