"""Series without their meaning.

Takes arrays; gives means, instants, fits and spectra.
May import: analysis/findings, analysis/results, daq/findings.
"""
