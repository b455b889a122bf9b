"""Journals to a sealed run, and whether it still is one.

Takes a recorded run folder; gives samples, record and manifest, or what differs from them.
May import: daq/capture, daq/config, daq/decoding, daq/run, daq/storage, daq/wire.
"""
