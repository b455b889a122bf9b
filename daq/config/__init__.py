"""Read what a crew types: plan, stand, calibrations, CSV mapping.

Takes TOML files; gives frozen models, and readings from counts.
May import: daq/kinds.
"""
