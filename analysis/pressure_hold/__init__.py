"""A pressure hold: the stretch of the record that counts, and what it says of a tank.

Takes a dataset; gives one result a tank.
May import: analysis/calibration, analysis/channel_checks, analysis/dataset, analysis/results, analysis/signal,
daq/config.
"""
