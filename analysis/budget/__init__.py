"""What a result is uncertain by, term by term.

Takes effects of single sources, and calibrations; gives combined uncertainty, with degrees of freedom and both bounds.
May import: analysis/findings, analysis/results, daq/config, daq/findings.
"""
