"""What every gauge should read.

Takes a plan, and earlier runs; gives bands, and what carries over.
May import: analysis/findings, analysis/physics, analysis/results, daq/config, daq/findings, daq/kinds.
"""
