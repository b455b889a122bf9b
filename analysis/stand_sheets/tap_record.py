"""Find the blows in a recording of taps, fit each, and bring a stand's states together. Plain arrays, SI times."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.tap_fit import Mode, Tap, fit_tap, modes_of, moving_mass, settling_time, true_to
from standbook.analysis.report.content.number_format import two_digits
from standbook.analysis.signal.windows import MAD_TO_SIGMA
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

CLEAR = 12.0  # deviations of the quiet record, that a blow stands out by at least
SHARE = 0.15  # of the strongest blow, below which the stand is called still
STILL = 0.25  # s without anything above that, before the next blow
BEFORE, AFTER = 1.0, 3.0  # s of a tap's record
KEPT_CLEAR = 0.2  # s before the next blow
LEAST = 3  # taps of a state
GAP = 1.5  # row intervals
UNLEVEL = 0.1  # of the frequency: by so much less a mode with a mass added is another one


@dataclass(frozen=True, slots=True, kw_only=True)
class StateOfTaps:
    """The stand with one mass added, tapped."""

    added: tuple[float, float]  # mass and its u [kg]
    modes: tuple[Mode, ...]  # lowest first
    used: int
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class TapTest:
    """What a tap test says."""

    states: tuple[StateOfTaps, ...]
    moving_mass: tuple[float, float] | None  # and its u [kg]
    sentences: tuple[str, ...]


def blows(time: Array, value: Array) -> tuple[int, ...]:
    """Return the rows at which somebody tapped: each the largest reading of a ringing that began out of quiet.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s]; reading of the cell, any unit.
    """
    away = np.abs(value - np.median(value))
    quiet = MAD_TO_SIGMA * float(np.median(np.abs(np.diff(value)))) / math.sqrt(2.0)
    loud = np.flatnonzero(away > max(CLEAR * quiet, SHARE * float(np.max(away, initial=0.0))))
    if not loud.size:
        return ()
    parts = np.split(loud, np.flatnonzero(np.diff(time[loud]) > STILL) + 1)
    return tuple(int(part[np.argmax(away[part])]) for part in parts)


def taps_in(time: Array, value: Array) -> tuple[tuple[Tap, ...], tuple[str, ...]]:
    """Fit every blow of a stretch; return the taps, and a sentence for each that cannot be used.

    Parameters
    ----------
    time, value : (N,) array
        Rising instants [s]; reading of the cell, any unit.
    """
    interval = float(np.median(np.diff(time))) if time.size > 1 else 1.0
    found = blows(time, value)
    ends = [*(float(time[row]) - KEPT_CLEAR for row in found[1:]), math.inf]
    taps, notes = [], []
    for number, (row, end) in enumerate(zip(found, ends, strict=True), start=1):
        part = (time >= time[row] - BEFORE) & (time <= min(float(time[row]) + AFTER, end))
        if float(np.max(np.diff(time[part]), initial=0.0)) > GAP * interval:
            notes.append(f"tap {number}: not used: rows are missing in it")
            continue
        try:
            tap = fit_tap(time[part], value[part])
        except DataError as error:
            notes.append(f"tap {number}: not used: {error}")
            continue
        if tap.note:
            notes.append(f"tap {number}: {tap.note}")
        taps.append(tap)
    return tuple(taps), tuple(notes)


def state_of(time: Array, value: Array, added: tuple[float, float]) -> StateOfTaps:
    """Work one state out.

    Raises
    ------
    DataError
        Fewer than three taps can be used, or they show no common mode.
    """
    taps, notes = taps_in(time, value)
    used = [tap for tap in taps if tap.clean]
    name = state_name(added[0])
    if len(used) < LEAST:
        raise DataError(
            f"{name}: {len(used)} taps can be used; {LEAST} are needed, with the stand still for two seconds after each"
        )
    modes = modes_of(used)
    if not modes:
        raise DataError(f"{name}: the taps show no mode in common; tap the same place, softly")
    return StateOfTaps(added=added, modes=modes, used=len(used), notes=(*notes, *(m.note for m in modes if m.note)))


def state_name(added: float) -> str:
    """Name a state by the mass that was added. [kg]."""
    return f"taps with {added:g} kg"


def tap_test(states: Sequence[StateOfTaps]) -> TapTest:
    """Bring the states of one test together; the first is the stand as it is."""
    bare, loaded = states[0], [state for state in states if state.added[0] > 0.0]
    first = bare.modes[0]
    mass, notes = None, []
    if loaded:  # the largest mass says most; more masses say little more
        heaviest = max(loaded, key=lambda state: state.added[0])
        other = heaviest.modes[0]
        try:
            mass = moving_mass(
                (first.frequency, first.frequency_u), (other.frequency, other.frequency_u), heaviest.added
            )
        except DataError as error:
            notes.append(f"REVIEW: no moving mass: {error}")
    return TapTest(states=tuple(states), moving_mass=mass, sentences=(*_sentences(bare, mass), *notes))


def _sentences(bare: StateOfTaps, mass: tuple[float, float] | None) -> tuple[str, ...]:
    first = bare.modes[0]
    said = []
    for number, mode in enumerate(bare.modes, start=1):
        said.append(
            f"Mode {number}: {mode.frequency:.2f} +/- {two_digits(mode.frequency_u)} Hz, damping "
            f"{100 * mode.zeta:.2f} +/- {two_digits(100 * mode.zeta_u)} %, from {mode.taps} taps."
        )
    said.append(
        f"A thrust is shown within 5 % up to {true_to(first.frequency, 0.05):.1f} Hz, and the stand is quiet to 2 % "
        f"{settling_time(first.frequency, first.zeta, 0.02):.2f} s after a blow."
    )
    if mass is not None:
        said.append(
            f"Moving mass: {mass[0]:.1f} +/- {two_digits(mass[1])} kg, that of the mode; what stands is not in it."
        )
    return tuple(said)
