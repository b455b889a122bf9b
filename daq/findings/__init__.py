"""Findings: sentences that a person must read, and the kinds they are of.

Takes values; gives findings whose sentence, severity and consequences stand in one record of their kind.
May import: nothing but daq.
"""
