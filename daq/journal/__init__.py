"""The append-only log of one port.

Takes bytes with their arrival; gives journal files, and their records again.
May import: daq/storage.
"""
