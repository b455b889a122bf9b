"""Predict every gauge reading of a run.

Takes a plan, and earlier runs; gives bands, and what carries over.
May import: analysis/findings, analysis/physics, analysis/results, daq/config, daq/findings, daq/kinds.
"""
