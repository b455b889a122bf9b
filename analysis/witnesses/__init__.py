"""Independent checks of the total impulse, and the verdict that they leave.

Takes thrust, chamber pressure and flows; gives what other instruments make of the impulse, and the verdict.
May import: analysis/budget, analysis/channel_checks, analysis/dataset, analysis/findings, analysis/impulse,
analysis/physics, analysis/results, analysis/signal, analysis/thrust, daq/config, daq/findings.
"""
