"""Define the kinds of test, as far as a recording needs to know them.

Takes nothing; gives one frozen record a kind, and the list that plans are held against.
May import: nothing but daq.
"""
