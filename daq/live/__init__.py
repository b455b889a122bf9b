"""What is indicated now.

Takes pieces of journals; gives a frozen picture: channels, vessels, phase, redlines, alarms, impulse.
May import: daq/config, daq/recording, daq/run, daq/wire.
"""
