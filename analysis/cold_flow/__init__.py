"""What a cold flow alone says of its tanks.

Takes a dataset; gives instants, amounts, tank results and findings.
May import: analysis/channel_checks, analysis/dataset, analysis/blowdown, analysis/findings,
analysis/flow_ends, analysis/physics, analysis/prediction, analysis/record_faults, analysis/results,
analysis/signal, daq/config, daq/findings.
"""
