"""The process that copies one serial port into journals.

Takes a port and a folder; gives journals and a status file.
May import: daq/journal, daq/storage.
"""
