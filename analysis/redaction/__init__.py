"""Take out of a run what may not be published, and prove on finished bytes that nothing of it is left.

Takes a run folder and what the crew lists as private; gives data with the same word for the same thing, and hits.
May import: daq/config, daq/run.
"""
