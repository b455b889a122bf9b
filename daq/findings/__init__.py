"""Define findings, sentences that a person must read, and their kinds.

Takes values; gives findings whose sentence, severity and consequences stand in one record of their kind.
May import: nothing but daq.
"""
