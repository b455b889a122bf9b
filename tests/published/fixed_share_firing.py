"""A firing in closed form: two tanks of one time scale whose chamber pressure is a fixed share of theirs.

Such a tank empties as into a vacuum, with K sqrt(1 - share). Both tanks have one pressure, so flows, mixture and
chamber pressure follow from one clock ``s``. Thrust is throat area x (CF pc - expansion x ambient), CF fixed; c* is
then throat area x pc over flow and falls as the root of the pressure. While a valve moves, chamber pressure moves with
it, and ``s`` is an integral of known shares, taken numerically; all else is a formula.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from standbook.analysis.kinds.registry import analyse
from tests.published.closed_form import Ullage
from tests.published.made_records import AMBIENT, firing_record, tank_note
from tests.worlds.engine import Chamber

SHARE, EXPONENT, CF, EXPANSION, THROAT = 0.7, 1.3, 0.96 * 1.595, 3.4, 0.0352
OPENS, SHUTS, STROKE = 0.1, 9.0, 0.12
G = 9.80665
SIGN = {"down": 1.0, "up": -1.0, "horizontal": 0.0}  # of the reading's change as liquid leaves
AREA = math.pi / 4.0 * THROAT**2
OXIDISER = Ullage(32e5, 0.0147, EXPONENT, 16.2e-6, 1139.0)
FUEL = Ullage(32e5, 0.0147 * 13.0 / 16.2 * math.sqrt(1139.0 / 858.0), EXPONENT, 13.0e-6, 858.0)
TANKS = {"oxidiser": OXIDISER, "fuel": FUEL}
WIDE = Chamber(width=60.0, tap="injector face", growth=0.0, noted=True)  # so wide that any tap reads total pressure
LEFT = 0.5  # of each liquid, aboard after the run [kg]


@dataclass(frozen=True, slots=True, eq=False)
class Course:
    """What truly happened. All (N,)."""

    time: np.ndarray
    clock: np.ndarray
    open_share: np.ndarray
    tank: np.ndarray
    chamber: np.ndarray
    thrust: np.ndarray
    gone: dict[str, np.ndarray]  # by tank [kg]

    def clock_at(self, instants):
        return np.interp(instants, self.time, self.clock)

    def mass_between(self, start, end):
        """Return by tank what left between two instants. [kg]."""
        pressure = OXIDISER.against_share(self.clock_at([start, end]), SHARE)
        return {name: float(np.ptp(gas.volume_at(pressure))) * gas.density for name, gas in TANKS.items()}

    def chamber_integral(self, start, end):
        """Return the integral of chamber pressure while the valves stand open. [Pa s]."""
        return SHARE * float(np.diff(OXIDISER.integral_against_share(self.clock_at([start, end]), SHARE))[0])


@cache
def course():
    """Return the firing's course, a thousand rows a second."""
    fine = np.arange(-5.0, 16.0, 1e-4)
    time = fine[::10]

    def open_at(instants):
        rises, falls = (np.clip((instants - at) / STROKE + 0.5, 0.0, 1.0) for at in (OPENS, SHUTS))
        return rises - falls

    pace = open_at(fine) * np.sqrt((1.0 - SHARE * open_at(fine)) / (1.0 - SHARE))
    clock = np.concatenate([[0.0], np.cumsum(pace[1:] + pace[:-1]) * 0.5e-4])[::10]
    tank, share = OXIDISER.against_share(clock, SHARE), open_at(time)
    burning = SHARE * tank * share
    return Course(
        time=time,
        clock=clock,
        open_share=share,
        tank=tank,
        chamber=np.maximum(burning, AMBIENT),
        thrust=np.maximum(AREA * (CF * burning - EXPANSION * AMBIENT), 0.0),
        gone={name: (gas.volume_at(tank) - gas.start_volume) * gas.density for name, gas in TANKS.items()},
    )


def dataset_of(nozzle, true, *, limit=40_960.0):
    """Return what was recorded of a course on a stand with its nozzle so."""
    aboard = sum(gone[-1] - gone for gone in true.gone.values()) + 2.0 * LEFT + 60.0
    liquids = {"oxidiser": "hydrogen peroxide", "fuel": "ethanol"}
    notes = tuple(
        tank_note(name, gas, float(true.gone[name][-1]) + LEFT, 0.1, liquid=liquids[name])
        for name, gas in TANKS.items()
    )
    return firing_record(
        true.time,
        {
            "LC-1": true.thrust - SIGN[nozzle] * G * aboard,
            "PT-11": true.tank,
            "PT-21": true.tank,
            "PT-31": true.chamber,
        },
        notes,
        nozzle=nozzle,
        left=dict.fromkeys(TANKS, LEFT),
        throat=THROAT,
        limit=limit,
        shuts=SHUTS,
        chamber=WIDE,
    )


@cache
def results_of(nozzle):
    """Return what the analysis says of the firing on a stand with its nozzle so."""
    return analyse(dataset_of(nozzle, course())).results
