"""Build page one and the sections of evidence.

Takes the content of a report; gives sections in order.
May import: analysis/findings, analysis/firing, analysis/report/content, analysis/report/figures, analysis/results,
analysis/signal, daq/config, daq/findings, daq/kinds.
"""
