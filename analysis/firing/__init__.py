"""What a firing says beside its impulse.

Takes thrust, chamber pressure and flows; gives performance, transients, stability, mass balance and departures.
May import: analysis/budget, analysis/channel_checks, analysis/dataset, analysis/diagnosis, analysis/blowdown,
analysis/findings, analysis/impulse, analysis/physics, analysis/prediction, analysis/results, analysis/signal,
analysis/thrust, analysis/witnesses, daq/config, daq/findings.
"""
