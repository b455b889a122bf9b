"""What a board sends, told from a recording without a plan: rows, and noise, steps, drift and movement by column.

Takes a sealed bench run; gives frozen facts, sentences, pictures and one HTML file of two printed pages.
May import: analysis/report, analysis/report/content, analysis/report/figures, analysis/signal, daq/kinds, daq/run.
"""
