"""Show a campaign's runs in one page: the table, and how each quantity moved from run to run.

Takes rows of runs; gives series, sentences, pictures and one HTML file without script.
May import: analysis/campaign, analysis/report, analysis/report/content, analysis/report/figures, analysis/results,
analysis/several_runs, daq/config.
"""
