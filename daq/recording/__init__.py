"""One capture for each device, followed through its journal while it records.

Takes a stand and a run folder; gives the state of every link, and the pieces that came.
May import: daq/capture, daq/config, daq/journal, daq/run, daq/storage, daq/wire.
"""
