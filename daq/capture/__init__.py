"""Copy one serial port into journals, in a process of its own.

Takes a port and a folder; gives journals and a status file.
May import: daq/journal, daq/storage.
"""
