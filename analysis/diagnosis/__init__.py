"""Likely causes of an odd flow.

Takes evidence; gives causes, ranked by how well each explains it.
May import: analysis/channel_checks, analysis/cold_flow, analysis/dataset, analysis/blowdown, analysis/findings,
analysis/physics, analysis/results, analysis/signal, daq/config, daq/findings.
"""
