"""Read and write the run folder.

Takes and gives its files: lock, record, samples, marks, additions, revisions.
May import: daq/config, daq/stand_sheets, daq/storage, daq/wire.
"""
