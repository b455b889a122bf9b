"""What the crew does, and how it departs from its plan. Seconds; each habit is drawn alone."""

import math
from dataclasses import dataclass

HABITS = {"closes late": 0.5, "vents soon": 0.12, "starts late": 0.1, "no hold": 0.08}
"""Share of crews; ``closes late`` among those that meant to shut the valve at first gas."""


@dataclass(frozen=True, slots=True)
class Crew:
    """One crew on one day."""

    hold: float  # recorded before the command [s]
    late_start: float  # from the command edge to the valve's motion, its dead time included [s]
    late_closing: float  # from first gas to the valve's motion [s]; infinite: lets it blow down
    after: float  # recorded after the flow [s]
    vent_before_end: float  # vent opened so long before the record ends [s]; zero: after the record
    apart: float  # second valve after the first, of a firing [s]
    reopens_after: float = math.inf  # pause after which the valve opens again, by mistake [s]


def draw_crew(random, *, firing=False):
    """Draw a crew."""
    late = {habit: random.random() < share for habit, share in HABITS.items()}
    after = float(random.uniform(3.0, 8.0))
    return Crew(
        hold=float(random.uniform(0.3, 0.9)) if late["no hold"] and not firing else float(random.uniform(1.8, 8.0)),
        late_start=float(random.uniform(0.3, 0.9)) if late["starts late"] else float(random.uniform(0.02, 0.15)),
        late_closing=float(random.uniform(0.15, 1.5)) if late["closes late"] else float("inf"),
        after=after,
        vent_before_end=float(random.uniform(0.8, 1.6)) if late["vents soon"] else 0.0,
        apart=float(random.uniform(-0.3, 0.3)) if random.random() < 0.5 else float(random.normal(0.0, 0.02)),
    )
