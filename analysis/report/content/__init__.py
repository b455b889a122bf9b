"""What a report says.

Takes results; gives numbers, sentences and tables in words.
May import: analysis/results, analysis/signal.
"""
