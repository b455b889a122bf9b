"""analysis/simulation"""
