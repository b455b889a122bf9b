"""Write the numbers, sentences and tables of a report.

Takes results; gives numbers, sentences and tables in words.
May import: analysis/findings, analysis/results, analysis/signal, daq/findings, daq/kinds.
"""
