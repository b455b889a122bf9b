"""From load-cell readings to thrust.

Takes a dataset; gives thrust, burn and what contradicts it.
May import: analysis/budget, analysis/channel_checks, analysis/dataset, analysis/blowdown, analysis/findings,
analysis/flow_ends, analysis/physics, analysis/record_faults, analysis/results, analysis/signal, daq/config,
daq/findings.
"""
