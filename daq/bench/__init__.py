"""Record without a plan: levels of a calibration, taps, pulls.

Takes a campaign and the boards to record; gives a run, sealed and verified as any other, and what was read in it.
May import: daq/config, daq/kinds, daq/live, daq/recording, daq/run.
"""
