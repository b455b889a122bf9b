"""Evaluate a recording in progress for the live screen.

Takes pieces of journals; gives a frozen picture: channels, vessels, phase, redlines, alarms, impulse.
May import: daq/config, daq/recording, daq/run, daq/wire.
"""
