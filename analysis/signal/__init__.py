"""Series without their meaning.

Takes arrays; gives means, instants, fits and spectra.
May import: analysis/results.
"""
