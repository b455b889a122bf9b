"""Simulate the stand behind a rehearsal.

Takes a plan; gives the readings of a test and the truth behind them.
May import: daq/config, daq/kinds, daq/rehearsal, daq/wire.
"""
