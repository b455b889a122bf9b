"""What would be lost if the crew fired now: facts with their age, limit and ruin, ranked by expected loss.

Takes a campaign's plan, sheets and a short look at its boards; gives ranked facts and one printed page.
May import: analysis/calibration, analysis/impulse, analysis/report, analysis/report/content,
analysis/report/figures, analysis/stand_checks, daq/bench, daq/config, daq/run, daq/stand_sheets.
"""
