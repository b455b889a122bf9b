"""Write the pad card: what gauges should read on the day, on one page of a clipboard.

Takes a plan, its prediction and calibrations; gives rows rounded outward, and one page.
May import: analysis/prediction, analysis/report, analysis/report/content, analysis/results, daq/config.
"""
