"""A second world of test-stand records, independent of the analysis and of the simulator that the program ships.

Its gas law, heat, valves, knees, noise, clocks and crews are its own; only ``adapter`` knows the program's types.
Every case is made by its seed alone. Even seeds are for setting thresholds; odd seeds are for the release only, are
looked at once, and what they then say stands.
"""
