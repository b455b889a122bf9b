"""What is indicated now: everything that a screen shows of a recording in progress, from what was decoded so far.

Values are SI, each pressure in the reference of its calibration; ages are seconds of the computer's monotonic clock,
everything that counts from the start or from T-0 is seconds of the device's. Nothing is held: a value that cannot be
vouched for is withdrawn with its reason. Pure: no file, no clock, no terminal; the sealed record counts again.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from daq.calibration import Calibration
from daq.follow import Taken
from daq.plan import Plan
from daq.stand import Stand

if TYPE_CHECKING:
    from daq.live_state import LiveState

Bands = Callable[[str, float], tuple[float, float] | None]


class Live:
    """Takes in what devices said, gives the picture of a moment.

    Parameters
    ----------
    plan, stand, calibrations
        As locked; calibrations by tag.
    started_ns : int
        When recording began, monotonic. [ns]
    bands : callable of (tag, seconds after T-0), optional
        Predicted lowest and highest value in the reference of the tag's calibration [SI], ``None`` where the
        prediction says nothing.
    """

    def __init__(
        self,
        plan: Plan,
        stand: Stand,
        calibrations: Mapping[str, Calibration],
        *,
        started_ns: int,
        bands: Bands | None = None,
    ) -> None:
        self._plan, self._stand, self._calibrations = plan, stand, calibrations
        self._started_ns, self._bands = started_ns, bands
        self._taken: list[Taken] = []

    def take(self, taken: Taken) -> None:
        """Take in one piece of one device; pieces of a device come in the order of its bytes."""

    def state(self, now_ns: int) -> "LiveState":
        """Give what is indicated at a moment of the monotonic clock. [ns]."""
        raise ValueError(now_ns)
