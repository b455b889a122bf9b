"""Decode journals to rows on the computer's clock.

Takes journals of a device; gives rows, clock fits, gaps and an account of what is missing.
May import: daq/capture, daq/config, daq/journal, daq/run, daq/storage, daq/wire.
"""
