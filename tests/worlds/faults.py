"""Faults of records, laid over a healthy case's columns; two need the tank itself and run it again.

Shares are of the channel's start reading, of the range of its readings, or of the flow's length, as each says.
"""

import dataclasses
import math

import numpy as np

from tests.worlds.cases import record_flow

FLOW_FAULTS = (
    "step +2 %",
    "step -2 %",
    "step +1 %",
    "step -1 %",
    "step +0.5 %",
    "step -0.5 %",
    "gap 0.4 s",
    "gap 1.0 s",
    "gap across the end",
    "starts late",
    "ends at 70 %",
    "clip at 85 %",
    "clip at 95 %",
    "clip with noise",
    "held 0.2 s",
    "held 0.5 s",
    "zeros 0.3 s",
    "frozen",
    "dead",
    "reopened",
    "ullage leak",
    "spikes",
    "5 % rows lost",
    "span -10 %",
    "gauge for absolute",
    "mass -5 %",
    "mass +10 %",
    "clock 5 % slow",
    "valve creeps",
    "drift 2 %",
)
FIRING_FAULTS = (
    "cell -3 %",
    "cell -5 %",
    "cell -10 %",
    "cell -20 %",
    "cell zero shift",
    "cell held",
    "clock 5 % slow",
    "columns swapped",
)
TANK_FAULTS = (
    "step +2 %",
    "step -2 %",
    "step +1 %",
    "step -1 %",
    "gap 0.4 s",
    "gap across the end",
    "clip at 85 %",
    "clip at 95 %",
    "clip with noise",
    "held 0.2 s",
    "held 0.5 s",
    "zeros 0.3 s",
    "frozen",
    "dead",
)
"""Faults of one tank's pressure in a firing: oxidiser and fuel in turn."""
RUN_AGAIN = ("reopened", "ullage leak", "valve creeps")
"""Faults of the tank itself: its flow runs again."""
BLIND = ("span -10 %", "gauge for absolute", "mass -5 %", "mass +10 %", "clock 5 % slow", "valve creeps", "drift 2 %")
"""Faults that a record of one sensor cannot show."""


def with_fault(case, fault, seed):
    """Return a case with one fault laid over it; where it falls is drawn by ``seed``."""
    random = np.random.default_rng([case.seed, seed, 20503])
    if fault in RUN_AGAIN:
        return dataclasses.replace(_run_again(case, fault, random), fault=fault)
    for begins, lay in _LAYERS:
        if fault.startswith(begins):
            return dataclasses.replace(lay(case, fault, random), fault=fault)
    raise ValueError(f"no fault is called {fault!r}; known: {', '.join((*FLOW_FAULTS, *FIRING_FAULTS))}")


def number(fault):
    """Return the number that a fault's name holds."""
    return next(float(word) for word in fault.split() if word.lstrip("+-").replace(".", "").isdigit())


def within_flow(case, random, low=0.25, high=0.75):
    """Return an instant inside the flow."""
    flow = flow_of(case)
    opened, ended = flow.opened, min(flow.ended, float(case.stamps[-1]))
    return opened + float(random.uniform(low, high)) * (ended - opened)


def note_of(case):
    """Return the channel that a fault falls on: the tank's pressure; of a firing's two one by the seed."""
    notes = [note for note in case.channels if note.measures == "tank pressure"]
    return notes[case.seed // 2 % len(notes)]


def tag_of(case):
    """Return the tag that a fault falls on."""
    return note_of(case).tag


def flow_of(case):
    """Return the truth of the flow that a fault falls into: a firing has one a tank."""
    return case.truth.sides[note_of(case).tank] if hasattr(case.truth, "sides") else case.truth


def column(case, tag=None):
    """Return the column that a fault falls on."""
    return case.counts[tag or tag_of(case)].copy()


def replaced(case, made, tag=None):
    """Return the case with a column replaced, held within its converter's rails."""
    tag = tag or tag_of(case)
    note = next(note for note in case.channels if note.tag == tag)
    made = np.clip(np.rint(made), 0, 2**note.bits - 1).astype(np.int64)
    return dataclasses.replace(case, counts={**case.counts, tag: made})


def kept(case, rows):
    """Return the case with these rows alone."""
    counts = {tag: values[rows] for tag, values in case.counts.items()}
    return dataclasses.replace(case, times=case.times[rows], stamps=case.stamps[rows], counts=counts)


def at_rest(case):
    """Return median counts before the opening and the counts of a reading of zero."""
    note = note_of(case)
    before = case.stamps < min(0.0, flow_of(case).opened)
    return float(np.median(column(case)[before])), -note.lowest / note.step


def _step(case, fault, random):
    rest, zero = at_rest(case)
    made = column(case) + 0.01 * number(fault) * (rest - zero) * (case.stamps >= within_flow(case, random))
    return replaced(case, made)


def _gap(case, fault, random):
    if fault.endswith("end"):
        long = float(random.uniform(0.3, 1.0))
        begin = flow_of(case).ended - long * float(random.uniform(0.3, 0.7))
    else:
        long = number(fault)
        begin = within_flow(case, random)
    return kept(case, (case.stamps < begin) | (case.stamps >= begin + long))


def _starts_late(case, fault, random):
    return kept(case, case.stamps >= within_flow(case, random, 0.05, 0.3))


def _ends(case, fault, random):
    return kept(case, case.stamps <= within_flow(case, random, 0.7, 0.7))


def _clip(case, fault, random):
    rest, zero = at_rest(case)
    share = 0.9 if fault.endswith("noise") else 0.01 * number(fault)
    made = np.minimum(column(case), zero + share * (rest - zero))
    if fault.endswith("noise"):
        made = made + random.normal(0.0, max(1.5, 2e-4 * rest), made.size)
    return replaced(case, made)


def _held(case, fault, random):
    begin, made = within_flow(case, random), column(case)
    inside = np.flatnonzero((case.stamps >= begin) & (case.stamps < begin + number(fault)))
    if inside.size:
        made[inside] = made[inside[0]]
    return replaced(case, made)


def _zeros(case, fault, random):
    begin = within_flow(case, random)
    inside = (case.stamps >= begin) & (case.stamps < begin + number(fault))
    return replaced(case, np.where(inside, at_rest(case)[1], column(case)))


def _frozen(case, fault, random):
    begin, made = within_flow(case, random), column(case)
    after = np.flatnonzero(case.stamps >= begin)
    made[after] = made[after[0]]
    return replaced(case, made)


def _dead(case, fault, random):
    return replaced(case, np.full(case.stamps.size, at_rest(case)[0]))


def _spikes(case, fault, random):
    made = column(case).astype(np.float64)
    hit = random.random(made.size) < 2e-3
    made[hit] += (
        random.choice([-1.0, 1.0], int(hit.sum())) * random.uniform(0.05, 0.3, int(hit.sum())) * at_rest(case)[0]
    )
    return replaced(case, made)


def _cell(case, fault, random):
    """Lay a fault over the load cell: its gain, its zero from some instant of the burn on, or a part of it held."""
    note = case.channels[0]
    made = column(case, note.tag).astype(np.float64)
    begin, end = case.truth.interval
    at = begin + float(random.uniform(0.3, 0.6)) * (end - begin)
    rest = float(np.median(made[case.stamps < 0.0]))
    if fault.endswith("shift"):
        thrust = float(np.percentile(made, 95)) - rest
        made = made + float(random.choice([-1.0, 1.0])) * float(random.uniform(0.02, 0.05)) * thrust * (
            case.stamps >= at
        )
    elif fault.endswith("held"):
        inside = np.flatnonzero((case.stamps >= at) & (case.stamps < at + 0.25 * (end - begin)))
        made[inside] = made[inside[0]]
    else:
        zero = -note.lowest / note.step
        made = zero + (1.0 + 0.01 * number(fault)) * (made - zero)
    return replaced(case, made, note.tag)


def _drift(case, fault, random):
    rest, zero = at_rest(case)
    flow = flow_of(case)
    along = np.clip((case.stamps - flow.opened) / (flow.ended - flow.opened), 0.0, 1.0)
    return replaced(case, column(case) + 0.01 * number(fault) * (rest - zero) * along)


def _swapped(case, fault, random):
    """Exchange the columns of both tanks, as with two plugs in each other's socket."""
    one, two = (note.tag for note in case.channels if note.measures == "tank pressure")
    counts = {**case.counts, one: case.counts[two], two: case.counts[one]}
    return dataclasses.replace(case, counts=counts)


def _rows_lost(case, fault, random):
    return kept(case, random.random(case.stamps.size) >= 0.01 * number(fault))


def _span(case, fault, random):
    _, zero = at_rest(case)
    return replaced(case, zero + (1.0 + 0.01 * number(fault)) * (column(case) - zero))


def _gauge(case, fault, random):
    notes = tuple(
        dataclasses.replace(note, unit="bar(a)" if note.unit == "bar(g)" else "bar(g)")
        if note.tag == tag_of(case)
        else note
        for note in case.channels
    )
    return dataclasses.replace(case, channels=notes)


def _mass(case, fault, random):
    def wrong(noted):
        return None if noted is None else dataclasses.replace(noted, value=noted.value * (1.0 + 0.01 * number(fault)))

    notes = case.notes
    if notes.caught is not None:
        return dataclasses.replace(case, notes=dataclasses.replace(notes, caught=wrong(notes.caught)))
    moved = notes.left.value - 0.01 * number(fault) * case.truth.out
    return dataclasses.replace(
        case, notes=dataclasses.replace(notes, left=dataclasses.replace(notes.left, value=max(moved, 0.0)))
    )


def _clock(case, fault, random):
    return dataclasses.replace(case, stamps=case.stamps * (1.0 - 0.01 * number(fault)))


_LAYERS = (
    ("step", _step),
    ("gap", _gap),
    ("starts late", _starts_late),
    ("ends", _ends),
    ("clip", _clip),
    ("held", _held),
    ("zeros", _zeros),
    ("frozen", _frozen),
    ("dead", _dead),
    ("spikes", _spikes),
    ("5 % rows", _rows_lost),
    ("cell", _cell),
    ("drift", _drift),
    ("columns", _swapped),
    ("span", _span),
    ("gauge", _gauge),
    ("mass", _mass),
    ("clock", _clock),
)


def _run_again(case, fault, random):
    """Run a flow again, the crew's plan as it was: gas leaks all the time, or the valve opens a second time."""
    setup = case.setup
    valve = dataclasses.replace(setup.tank.valve, closes=math.inf, reopens=math.inf)
    tank = dataclasses.replace(setup.tank, valve=valve, vents=math.inf)
    if fault == "ullage leak":
        gas = tank.at_rest()[2]
        flux = tank.gas.outflow(0.7 * tank.start_pressure, tank.gas_temperature, setup.ambient)
        tank = dataclasses.replace(tank, leak_area=float(random.uniform(0.05, 0.15)) * gas / setup.duration / flux)
    elif fault == "valve creeps":
        creep = float(random.uniform(0.01, 0.03)) * min(1.0, 20.0 / setup.duration)
        tank = dataclasses.replace(tank, valve=dataclasses.replace(valve, creep=creep))
    else:
        if case.stratum != "closed":
            raise ValueError(
                f"a valve that opens again is of a flow that was closed early, not of a {case.stratum} one"
            )
        pause, long = float(random.uniform(1.5, 4.0)), float(random.uniform(0.5, 2.0))
        share = float(random.uniform(0.3, 1.0))
        tank = dataclasses.replace(tank, valve=dataclasses.replace(valve, reopened_share=share, reopened_for=long))
        crew = dataclasses.replace(setup.crew, reopens_after=pause, after=pause + long + 4.0, vent_before_end=0.0)
        setup = dataclasses.replace(setup, crew=crew)
    again = record_flow(dataclasses.replace(setup, tank=tank))
    return dataclasses.replace(again, notes=dataclasses.replace(again.notes, tank=case.notes.tank))
