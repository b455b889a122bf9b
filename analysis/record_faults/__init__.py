"""What a record of one tank's pressure shows of its own faults, before anything is fitted to it.

Takes readings, counts and the ends that were found; gives what is wrong and when, each test in a module of its own.
May import: analysis/flow_ends, analysis/signal.
"""
