"""Total impulse of one firing, with its budget and both bounds.

Takes a thrust record and its burn; gives impulse at site and in vacuum, and what was hidden from it.
May import: analysis/budget, analysis/channel_checks, analysis/dataset, analysis/findings, analysis/physics,
analysis/results, analysis/signal, analysis/thrust, daq/config, daq/findings.
"""
