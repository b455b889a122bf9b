"""One tank that empties, in a cold flow or a firing.

Takes its pressure and the liquid that left; gives CdA and polytropic exponent.
May import: analysis/budget, analysis/dataset, analysis/findings, analysis/flow_ends, analysis/physics,
analysis/results, analysis/signal, daq/config, daq/findings.
"""
