"""Checks of a stand in place, end to end.

Takes plain readings with their uncertainties; gives one outcome each, agrees, differs or cannot tell, and what is seen.
May import: nothing but daq.
"""
