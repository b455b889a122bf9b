"""A valve between tank and orifice: its open share over time. Times in seconds after T-0.

The share of the orifice's area that is open goes from 0 to 1 by a stroke of the valve's own shape, after a dead time;
it may open another way than it closes.
"""

import math
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Stroke:
    """One movement from shut to open; played backwards it shuts."""

    seconds: float
    shape: str  # "exponential" | "s"
    ratio: float = 20.0  # of the exponential: area gained by the last bit of stroke over that of the first

    def share(self, travelled):
        """Return the open share after this share of the stroke."""
        x = min(max(travelled, 0.0), 1.0)
        if self.shape == "exponential":
            return (self.ratio**x - 1.0) / (self.ratio - 1.0)
        return x * x * (3.0 - 2.0 * x)

    @property
    def mean(self):
        """Mean open share over the stroke."""
        if self.shape == "exponential":
            return 1.0 / math.log(self.ratio) - 1.0 / (self.ratio - 1.0)
        return 0.5


@dataclass(frozen=True, slots=True)
class Valve:
    """Movements of one valve: begins to open, begins to close, both with their strokes; perhaps opens again."""

    opens: float  # first movement [s]
    opening: Stroke
    closes: float  # first movement towards shut [s]; infinite: stays open
    closing: Stroke
    reopens: float = math.inf  # a second opening, with the first stroke
    reopened_share: float = 1.0
    reopened_for: float = 1.0  # until it shuts at last [s]
    creep: float = 0.0  # share of the area lost each second that it stands open [1/s]

    def share(self, t):
        """Return the open share at an instant."""
        if t <= self.opens:
            return 0.0
        if t < self.closes:
            crept = 1.0 - self.creep * max(t - self.opens - self.opening.seconds, 0.0)
            return self.opening.share((t - self.opens) / self.opening.seconds) * max(crept, 0.2)
        shut = self.closing.share(1.0 - (t - self.closes) / self.closing.seconds)
        if t <= self.reopens:
            return shut
        again = self.opening.share((t - self.reopens) / self.opening.seconds)
        again *= self.closing.share(1.0 - (t - self.reopens - self.reopened_for) / self.closing.seconds)
        return max(shut, self.reopened_share * again)

    @property
    def opened(self):
        """Return the instant at which a sudden opening would let the same area-time through."""
        return self.opens + self.opening.seconds * (1.0 - self.opening.mean)

    @property
    def closed(self):
        """Return the instant at which a sudden closing would let the same area-time through."""
        return self.closes + self.closing.seconds * self.closing.mean

    @property
    def moves(self):
        """Return begin and end of every movement."""
        found = [(self.opens, self.opens + self.opening.seconds), (self.closes, self.closes + self.closing.seconds)]
        found.append((self.reopens, self.reopens + self.opening.seconds))
        last = self.reopens + self.reopened_for
        found.append((last, last + self.closing.seconds))
        return tuple(pair for pair in found if math.isfinite(pair[0]))
