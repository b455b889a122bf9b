"""Simulate what a crew does to a stand besides flows and firings: taps, a filling, a quiet night, a hold, a pull.

Takes a plan and what differs from it; gives what inputs read, and the truth behind them.
May import: analysis/simulation, daq/config.
"""
