"""The catalogue of findings: one record a kind, one file a subject.

Takes nothing; gives every kind of finding that an analysis or a prediction can make.
May import: daq/findings.
"""
