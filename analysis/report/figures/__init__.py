"""Draw the figures of a report.

Takes curves and results; gives SVG.
May import: analysis/firing, analysis/report/content, analysis/results, daq/config.
"""
