"""What an analysis says.

Takes and gives frozen types, and the files they are written to.
May import: daq/findings, daq/run.
"""
