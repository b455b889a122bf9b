"""Simulate a device on a pseudo-terminal.

Takes a table of values and faults; gives bytes as a board sends them, and the truth of what left.
May import: daq/config, daq/wire.
"""
