"""Take in records of other recorders.

Takes a memory card or a CSV; gives filled gaps, or an imported run.
May import: daq/config, daq/recovery, daq/journal, daq/run, daq/sealing, daq/storage, daq/wire.
"""
