"""Listen to a board, and describe what it sends and what a stand must say of it.

Takes bytes of one port with their arrivals; gives an account in sentences, and tables for ``stand.toml``.
May import: daq/config, daq/recovery, daq/wire.
"""
