"""What a result is uncertain by, term by term.

Takes channels and effects of single sources; gives combined uncertainty, with degrees of freedom and both bounds.
May import: analysis/results.
"""
