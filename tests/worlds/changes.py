"""The same record written down another way: what changes of a case must not change what is found, or change it in step.

Each takes a case whose ``stamps`` are the times that its rows shall have, and returns another case. SI, seconds after
T-0. Nothing here knows the program.
"""

import dataclasses
import math

import numpy as np

from tests.worlds.cases import Noted
from tests.worlds.firing_cases import record_firing

PSI_PER_BAR = 14.503773773020923  # from the exact inch, pound and standard gravity
OTHER = {"oxidiser": "fuel", "fuel": "oxidiser"}


def fitted(case):
    """Stamp rows by a straight line through their numbers, as importing does."""
    number = np.rint((case.times - case.times[0]) * case.setup.sampling.rate)
    slope, intercept = np.polyfit(number, case.stamps, 1)
    return dataclasses.replace(case, stamps=intercept + slope * number)


def scaled(noted, factor):
    """Return a noted value, times a factor."""
    return None if noted is None else Noted(noted.value * factor, noted.u * abs(factor))


def with_rows(case, stamps, counts, *, finer=1):
    """Return the case with other rows; of ``finer`` counts each old one is worth so many."""
    channels = case.channels
    if finer > 1:
        more = round(math.log2(finer))
        channels = tuple(dataclasses.replace(n, bits=n.bits + more, step=n.step / finer) for n in channels)
    return dataclasses.replace(case, stamps=stamps, counts=counts, channels=channels)


def with_notes(case, **changes):
    """Return the case with other notes."""
    return dataclasses.replace(case, notes=dataclasses.replace(case.notes, **changes))


def with_tanks(case, change):
    """Return the case with each tank's note changed."""
    if hasattr(case.notes, "tank"):
        return with_notes(case, tank=change(case.notes.tank))
    return with_notes(case, tanks=tuple(change(note) for note in case.notes.tanks))


def kept(case, rows):
    """Return the case with these rows alone."""
    return with_rows(case, case.stamps[rows], {tag: own[rows] for tag, own in case.counts.items()})


# --- the clock and the rows ------------------------------------------------------------------------------------------


def shifted(case, seconds=0.4):
    """Count times from another instant; the command's edge moves along."""
    edges = tuple((line, level, at + seconds) for line, level, at in case.notes.edges)
    return with_notes(dataclasses.replace(case, stamps=case.stamps + seconds), edges=edges)


def doubled(case):
    """Put a row between each two, with as much white noise as its neighbours have at rest."""
    random, still = np.random.default_rng([case.seed, 31]), case.stamps < -0.1
    stamps = np.empty(2 * case.stamps.size - 1)
    stamps[::2], stamps[1::2] = case.stamps, 0.5 * (case.stamps[1:] + case.stamps[:-1])
    counts = {}
    for tag, own in case.counts.items():
        white = float(np.std(np.diff(own[still], 2))) / math.sqrt(6.0)
        made = np.empty(stamps.size)
        made[::2] = 2.0 * own
        made[1::2] = own[1:] + own[:-1] + 2.0 * white / math.sqrt(2.0) * random.standard_normal(own.size - 1)
        counts[tag] = np.maximum(np.rint(made), 0).astype(np.int64)
    return with_rows(case, stamps, counts, finer=2)


def halved(case):
    """Take the mean of each two neighbours."""
    even = case.stamps.size // 2 * 2
    stamps = case.stamps[:even].reshape(-1, 2).mean(axis=1)
    counts = {tag: own[:even].reshape(-1, 2).sum(axis=1).astype(np.int64) for tag, own in case.counts.items()}
    return with_rows(case, stamps, counts, finer=2)


def thinned(case):
    """Lose one row in a thousand."""
    return kept(case, np.random.default_rng([case.seed, 32]).random(case.stamps.size) >= 1e-3)


def holding_longer(case, seconds=10.0):
    """Put more of the still record before it: its own, to and fro."""
    still = np.flatnonzero(case.stamps < -0.3)
    step = float(np.median(np.diff(case.stamps)))
    count = round(seconds / step)
    to_and_fro = np.concatenate([still, still[::-1]])
    rows = np.concatenate([np.resize(to_and_fro, count)[::-1], np.arange(case.stamps.size)])
    stamps = np.concatenate([case.stamps[0] - step * np.arange(count, 0, -1), case.stamps])
    return with_rows(case, stamps, {tag: own[rows] for tag, own in case.counts.items()})


def holding_one_second(case):
    """Begin the record a second before the command, and a little."""
    return kept(case, case.stamps >= -1.05)


def humming(case, share=0.01):
    """Add hum of a share of each channel's greatest reading."""
    wave = np.sin(2.0 * np.pi * case.notes.mains * case.stamps + 0.7)
    counts = {}
    for note in case.channels:
        own = case.counts[note.tag]
        size = share * (note.lowest + note.step * float(own.max())) / note.step
        counts[note.tag] = np.clip(np.rint(own + size * wave), 0, 2**note.bits - 1).astype(np.int64)
    return dataclasses.replace(case, counts=counts)


# --- the notes -------------------------------------------------------------------------------------------------------


def reordered(case):
    """Wire the channels in another order."""
    counts = {tag: case.counts[tag] for tag in reversed(case.counts)}
    return dataclasses.replace(case, channels=case.channels[::-1], counts=counts)


def in_psi(case):
    """Calibrate every pressure in psi."""
    return dataclasses.replace(case, channels=tuple(_pound_force(n) for n in case.channels))


def _pound_force(note):
    if not note.unit.startswith("bar"):
        return note
    unit = note.unit.replace("bar", "psi")
    return dataclasses.replace(_times(note, PSI_PER_BAR), unit=unit, scale=note.scale / PSI_PER_BAR)


def _times(note, factor):
    return dataclasses.replace(
        note, **{key: factor * getattr(note, key) for key in ("lowest", "step", "highest", "zero_u")}
    )


def planned_otherwise(case):
    """Expect another area and another exponent."""

    def change(note):
        return dataclasses.replace(
            note,
            cda=scaled(note.cda, 1.06),
            exponent=dataclasses.replace(note.exponent, value=note.exponent.value + 0.06),
        )

    return with_tanks(case, change)


def denser(case, factor=1.05):
    """Take pressures, density and every mass so much larger: the same volumes in the same time."""

    def change(note):
        keys = ("load", "residual", "density", "start_pressure")
        return dataclasses.replace(note, **{key: scaled(getattr(note, key), factor) for key in keys})

    channels = tuple(_times(n, factor) if n.unit.startswith("bar") else n for n in case.channels)
    other = with_tanks(dataclasses.replace(case, channels=channels), change)
    other = with_notes(other, ambient=scaled(case.notes.ambient, factor))
    if hasattr(case.notes, "tank"):
        return with_notes(other, caught=scaled(case.notes.caught, factor), left=scaled(case.notes.left, factor))
    left = {name: scaled(noted, factor) for name, noted in case.notes.left.items()}
    return with_notes(other, left=left, line_load=scaled(case.notes.line_load, 1.0 / factor))


def caught_more(case, factor=1.01):
    """Weigh so much more; ``None`` where nothing was caught, or a tank run dry is a second amount beside the bucket."""
    if case.notes.caught is None or case.notes.runs_dry:
        return None
    return with_notes(case, caught=scaled(case.notes.caught, factor))


def weaker_cell(case, factor=0.95):
    """Calibrate the cell so much lower."""
    cell, *others = case.channels
    return dataclasses.replace(case, channels=(_times(cell, factor), *others))


def exchanged(case):
    """Call each tank by the other's name, in the plan, on the scales and in the columns."""
    tanks = tuple(dataclasses.replace(note, name=OTHER[note.name]) for note in case.notes.tanks[::-1])
    left = {OTHER[name]: noted for name, noted in case.notes.left.items()}
    channels = tuple(dataclasses.replace(n, tank=OTHER.get(n.tank, n.tank)) for n in case.channels)
    return with_notes(dataclasses.replace(case, channels=channels), tanks=tanks, left=left)


def quiet(case, share=0.1):
    """Fire again with a share of every noise, rough combustion included: what moves then is no new noise."""
    setup = case.setup
    sensors = tuple(
        dataclasses.replace(s, noise=dataclasses.replace(s.noise, white=share * s.noise.white, hum=share * s.noise.hum))
        for s in setup.sensors
    )
    again = record_firing(dataclasses.replace(setup, sensors=sensors, roughness=share * setup.roughness))
    return fitted(dataclasses.replace(again, notes=case.notes))


def one_valve_later(case, seconds=0.1):
    """Fire again with the fuel's valve so much later: the crew's errors stay what they were."""
    setup = case.setup
    oxidiser, fuel = setup.tanks
    valve = dataclasses.replace(fuel.valve, opens=fuel.valve.opens + seconds)
    again = record_firing(dataclasses.replace(setup, tanks=(oxidiser, dataclasses.replace(fuel, valve=valve))))
    moved = {name: side.out - case.truth.sides[name].out for name, side in again.truth.sides.items()}
    left = {
        name: dataclasses.replace(noted, value=noted.value - moved[name]) for name, noted in case.notes.left.items()
    }
    notes = dataclasses.replace(case.notes, left=left, edges=again.notes.edges)
    return fitted(dataclasses.replace(again, notes=notes))
