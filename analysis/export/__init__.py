"""Write a run into files that other programs open: CSV with its metadata, a workbook, a thrust table, MATLAB.

Takes an opened run; gives names and bytes, nothing is written here.
May import: analysis, analysis/redaction, analysis/results, analysis/thrust, daq/config.
"""
