"""What is read on the bench and at the stand, to what its sensors and its path of force are worth.

Takes readings sheets, and arrays of levels, pulls, taps, holds and loadings; gives curves, factors, modes, leak rates
and loads, with uncertainties.
May import: analysis/physics, analysis/signal, daq/config, daq/stand_sheets.
"""
