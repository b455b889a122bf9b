"""Equations of tank, engine, load cell and fluids.

Takes plain SI values and arrays; gives the same, with uncertainties.
May import: analysis/results, analysis/signal, daq/config.
"""
