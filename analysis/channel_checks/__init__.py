"""Which channels can be believed.

Takes a dataset; gives findings, and the channels that are left.
May import: analysis/dataset, analysis/findings, analysis/record_faults, analysis/results,
analysis/signal, daq/config, daq/findings.
"""
