"""A second world of test-stand records, independent of the analysis and of the simulator that the program ships.

Its gas law, heat, valves, knees, noise, clocks and crews are its own; only ``adapter`` knows the program's types.
Cold flows end ``closed``, ``sharp``, ``soft`` or at ``record_end``: there the record stops while liquid flows, and
the only right answer is none. Firings end ``closed`` together, with ``oxidiser_on`` or ``fuel_on``, or with
``gas_through``. Truth is what the integration did: the orifice's own area, instants at which a sudden opening or end
would have let the same liquid through, c* and mixture over the interval in which both liquids flow.

Every case is made by its seed alone. Even seeds are for setting thresholds; odd seeds are for the release only, are
looked at once, and what they then say stands.
"""
