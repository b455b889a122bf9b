"""A sheet held against the last revision: has the sensor moved since? Readings in the unit of the sheet.

With the same reference its error cancels; with another one both claim what they are.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.level_fit import LevelFit, Levels
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration

LIMIT = 3.0  # standard uncertainties of a difference, for one check
MISSED = 1.644854  # beyond the limit, so that a shift is seen in 95 of 100
SAME_U = 3e-4  # of span, standard, of one calibration against another on the same reference: judgement


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AgainstLast:
    """Differences of the last revision's curve from the levels of a sheet."""

    revision: str
    same_reference: bool
    named: bool  # the last revision says on which reference it was made
    span_shift: float  # relative: how much more the last revision reads for the same load
    span_u: float  # standard, relative
    zero_shift: float | None  # the same at no load; none: zero is taken off in use
    zero_u: float  # standard
    difference: Array  # (N,) last revision less level

    @property
    def limit(self) -> float:
        """Relative shift beyond which the sensor has moved."""
        return LIMIT * self.span_u

    @property
    def surely_seen(self) -> float:
        """Relative shift that is seen in 95 of 100 sheets."""
        return (LIMIT + MISSED) * self.span_u

    @property
    def ratio(self) -> float | None:
        """Span of the sheet over that of the last revision, for one signal; ``None`` where the sign turned."""
        return 1.0 / (1.0 + self.span_shift) if self.span_shift > -1.0 else None

    @property
    def which(self) -> str:
        """Say which reference the last revision was made on."""
        if not self.named:
            return f"reference not named by {self.revision}"
        return "same reference" if self.same_reference else "another reference"

    @property
    def zero_moved(self) -> bool:
        """Tell whether zero has moved by more than its uncertainty."""
        return self.zero_shift is not None and self.zero_u > 0.0 and abs(self.zero_shift) > LIMIT * self.zero_u

    @property
    def differs(self) -> bool:
        """Tell whether the sensor is not what the last revision says."""
        return abs(self.span_shift) > self.limit or self.zero_moved


def sheet_u(run_scatter: float, runs: int) -> float:
    """Return how far one sheet's span lies from another's on the same reference. Relative, standard."""
    return max(SAME_U, run_scatter / math.sqrt(runs))


def against_last(
    last: Calibration, levels: Levels, raw: Array, fit: LevelFit, *, tared: bool, serial: str, reference: float
) -> AgainstLast:
    """Compare a sheet with the last revision.

    Parameters
    ----------
    last : Calibration
        Its readings in the unit of the sheet.
    levels, fit : Levels, LevelFit
        Of the sheet.
    raw : (N,) array
        Signals before zeros were taken off; what the last revision is asked of where zero is not taken off in use.
    tared : bool
        Zero is taken off in use.
    serial : str
        Of the sheet's reference.
    reference : float
        Relative standard uncertainty of the span by it.
    """
    signal = levels.signal if tared else raw
    zero = float(last.reading(np.array([fit.zero_signal]))[0]) if tared else 0.0
    own_zero = float(fit.value(np.array([fit.zero_signal]))[0]) if tared else 0.0
    difference = last.reading(signal) - zero - (levels.reading - own_zero)
    foot = 0.0 if tared else float(levels.reading.min())
    x = levels.reading - foot
    if tared:
        shift, at_foot = float(x @ difference / (x @ x)), None
    else:
        shift, at_foot = (float(value) for value in np.polyfit(x, difference, 1))
    same = bool(serial) and serial == last.reference_serial.strip()
    now = sheet_u(fit.run_scatter, fit.run_spans.size)
    then = SAME_U if last.found is None else sheet_u(last.found.run_span.value, last.found.runs)
    if not same:
        span = last.highest - last.lowest
        then = math.hypot(then, last.reference_uncertainty.value, last.reference_span_u() / span)
        now = math.hypot(now, reference)
    return AgainstLast(
        revision=last.revision,
        same_reference=same,
        named=bool(last.reference_serial.strip()),
        span_shift=shift,
        span_u=math.hypot(now, then),
        zero_shift=at_foot,
        zero_u=last.zero_uncertainty,
        difference=difference,
    )
