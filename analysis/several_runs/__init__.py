"""Say what one quantity shows over several runs: pooled, drifting, changed between two, to be expected of the next.

Takes plain numbers with their uncertainties; gives numbers, no sentence, and reads no file.
May import: nothing but daq.
"""
