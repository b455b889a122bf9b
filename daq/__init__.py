"""Acquire the record: from the wire to the run folder.

Takes bytes of serial ports and files that a crew types; gives sealed run folders.
Its own modules (errors, quantity, arrays, host_clock) are open to every folder and import nothing of ours.
"""
