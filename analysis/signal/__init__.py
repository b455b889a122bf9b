"""Process series without knowing what they measure.

Takes arrays; gives means, instants, fits and spectra.
May import: analysis/findings, analysis/results, daq/findings.
"""
