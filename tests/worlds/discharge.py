"""How gas comes to the outlet as a tank runs dry: the open area's share of gas against the liquid that is left.

``left`` is the usable liquid over the amount in which the knee happens: above 1 liquid fills the outlet, at 0 only
gas is left. Kinds: ``mixture`` (both go as one fluid), ``vortex`` (a core of gas beside liquid), ``slugs`` (the same,
beating), ``sharp`` (a vortex in a very small amount).
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Knee:
    """How a tank's liquid ends."""

    kind: str  # "mixture" | "vortex" | "slugs" | "sharp"
    seconds: float  # of full flow that the knee's liquid would last
    exponent: float  # gas share = (1 - left)**exponent
    beat: float = 6.0  # of slugs [Hz]
    depth: float = 0.8  # of their beating

    def gas_share(self, left, t):
        """Return the share of gas at the outlet: of the volume in a mixture, of the area beside a core."""
        if left >= 1.0:
            return 0.0
        if left <= 0.0:
            return 1.0
        share = (1.0 - left) ** self.exponent
        if self.kind == "slugs":
            swing = self.depth * min(share, 1.0 - share) * math.sin(2.0 * math.pi * self.beat * t)
            share = min(max(share + swing, 0.0), 1.0)
        return share

    def speeds(self, share, liquid_density, gas_density):
        """Return liquid and gas flow as shares of what each alone would pass: the liquid's mass, the gas's mass."""
        if self.kind == "mixture":
            mixed = (1.0 - share) * liquid_density + share * gas_density
            return (1.0 - share) * math.sqrt(liquid_density / mixed), share * math.sqrt(gas_density / mixed)
        return 1.0 - share, share
