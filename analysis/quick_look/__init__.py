"""Say in five sentences, before anybody resets hardware, what a run gave and whether to keep or repeat it.

Takes a run's plan, prediction and first results; gives sentences and one word that suggests.
May import: analysis/findings, analysis/report/content, analysis/results, daq/config.
"""
