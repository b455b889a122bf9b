"""How much liquid left a tank, by whatever observed it.

SI; times in seconds. An amount is a mass that passed between two instants, with its uncertainty by source. Two amounts
that name one source share one error; `analysis.blowdown.weighed_amounts` weighs several. Reads no channel:
`analysis.cold_flow.observed_amounts` makes amounts of those.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

FILM = 0.0025  # of the load: what may drip on after a run-out, judged from simulated flows; no data


@dataclass(frozen=True, slots=True, kw_only=True)
class Amount:
    """Liquid that passed in a span of time, as one observer saw it."""

    name: str  # "caught", "drained", "run-out" or the tag of a channel
    words: str  # for sentences: "the mass caught"
    mass: float  # kg
    terms: Mapping[str, float] = field(default_factory=dict)  # u by source, signed alike where shared [kg]
    span: tuple[float, float] | None = None  # s; None: all of the flow, whenever it began and ended
    by_load: float = 0.0  # kg that this mass moves by where the load was a kilogram more
    density_power: float = 0.0  # the mass goes as this power of the liquid's density
    clock_power: float = 0.0  # and of the clock's seconds

    @property
    def u(self) -> float:
        """Standard uncertainty of the mass, the load's left out. [kg]."""
        return math.sqrt(sum(value * value for value in self.terms.values()))
