"""Analyse runs: from a run folder to numbers and pictures.

Takes sealed runs and plans; gives results, predictions and reports.
Its own modules are the doors that the outside uses; no folder of it imports them, but the report.
"""
