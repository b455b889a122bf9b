"""Read what was found out of a stand in place: pulls, taps, holds, checks and waivers; and readings as typed.

Takes the files that commands write into a campaign; gives frozen documents, and the newest of each.
May import: daq/config.
"""
