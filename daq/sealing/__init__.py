"""Seal a run from its journals, and verify that it still is what was sealed.

Takes a recorded run folder; gives samples, record and manifest, or what differs from them.
May import: daq/capture, daq/config, daq/recovery, daq/run, daq/storage, daq/wire.
"""
