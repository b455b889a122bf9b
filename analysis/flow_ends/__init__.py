"""Where a flow of liquid begins and ends, with an uncertainty from the record itself.

Takes one tank's pressure and drive; gives both instants, how it ended, and how well the record tells it.
May import: nothing but daq.
"""
