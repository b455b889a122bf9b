"""Which channels can be believed.

Takes a dataset; gives findings, and the channels that are left.
May import: analysis/dataset, analysis/results, analysis/signal, daq/config.
"""
