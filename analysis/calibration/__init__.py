"""From what a stand's own tests were read as, to what its sensors and its path of force are worth.

Takes arrays of pulls, taps, holds and loadings; gives factors, modes, leak rates and loads, with uncertainties.
May import: analysis/physics, analysis/signal.
"""
