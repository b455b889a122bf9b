"""Play a tap test, a filling, an unloaded night or a pressure hold on simulated boards, to practise it."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from standbook.analysis.simulation.at_rest.held_tank import rehearse_hold
from standbook.analysis.simulation.at_rest.stand_work import BOLTING, EMPTY, POURING, TAPS, filled, night, tapped
from standbook.analysis.simulation.story import draw_for
from standbook.analysis.simulation.world import World, world_of
from standbook.analysis.stand_sheets.load_record import sign_of_load
from standbook.cli.screen import today
from standbook.cli.sheets import cell_of
from standbook.daq.config.campaign import Campaign, read_campaign
from standbook.daq.rehearsal.played_levels import played_board

if TYPE_CHECKING:
    from collections.abc import Mapping

    from standbook.analysis.simulation.draw import Draw
    from standbook.daq.arrays import Array
    from standbook.daq.rehearsal.script import Table

ADDED = 10.0  # kg that is bolted on
SLOW = 20  # rows a second of what takes many minutes
HELD = 10  # rows a second of a hold
FAST = 400  # rows a second of a tap test: ten of a period
WAIT = 720.0  # s beside a filling
NIGHT = 4.2 * WAIT  # s of an unloaded cell
ENDED = 15.0  # s before the end of what is played, for whoever sits at another terminal
READ = 0.0005  # of a cell's reading: its gain is off by so much, standard; within every calibration


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """Something that a crew practises."""

    tables: "tuple[Table, ...]"
    what: str  # in a few words
    steps: tuple[tuple[float, str], ...]  # what is to be done, each from so many seconds on
    command: str  # that records it, but for its ports
    marks: "Mapping[str, float]" = field(default_factory=dict)  # by which second each step can be taken


def tap_work(plan: Path, seed: int | None, *, taps: int = TAPS) -> Work:
    """Play a tap test with nothing and with one mass added, so many taps each."""
    campaign, world, draw = _read(plan, seed)
    random = draw.generator("mallet")
    found = tapped(world, campaign.stand, (0.0, ADDED), random, rate=FAST, taps=taps)
    first, second = found.ends
    return Work(
        tables=_on_cell(campaign, found.force, random, rows_a_second=FAST),
        what="a tap test",
        steps=(
            (0.0, f"taps with 0 kg: {taps} of them are coming"),
            (first, "taps with 0 kg: done; press space"),
            (first + 0.75 * BOLTING, f"bolted {ADDED:g} kg: it is on; press space, then {taps} taps are coming"),
            (second, f"taps with {ADDED:g} kg: done; press space"),
        ),
        command=f'standbook tap {plan} --tanks "full, water" --added "{ADDED:.2f} +/- 0.01 kg" --rehearsal',
    )


def load_work(plan: Path, seed: int | None, *, wait: float = WAIT) -> Work:
    """Play a filling, and a wait beside it. [s]."""
    campaign, world, draw = _read(plan, seed)
    sign_of_load(campaign.stand)
    random = draw.generator("filling")
    found = filled(campaign.plan, world, campaign.stand, random, rate=SLOW, wait=wait)
    return Work(
        tables=_on_cell(campaign, found.force, random),
        what="a filling",
        steps=(
            (0.0, "empty: press space"),
            (EMPTY, "pouring: nothing is to be done"),
            (EMPTY + POURING, "filled: press space"),
            (found.marks["waited"] - ENDED, "waited: press space"),
        ),
        marks=found.marks,
        command=f"standbook load {plan} --rehearsal",
    )


def night_work(plan: Path, seed: int | None) -> Work:
    """Play a cell that nobody loads, four times as long as the wait beside a filling."""
    campaign, _, draw = _read(plan, seed)
    random = draw.generator("night")
    force = night(random, rate=SLOW, seconds=NIGHT)
    return Work(
        tables=_on_cell(campaign, force, random),
        what="an unloaded cell",
        steps=((NIGHT - ENDED, "over: press Q; the recording is kept, and goes with --night of standbook load"),),
        command=f"standbook load {plan} --rehearsal",
    )


def hold_work(plan: Path, seed: int | None, fault: str) -> Work:
    """Play the hold of a plan."""
    campaign = read_campaign(plan, today=today())
    draw = draw_for(campaign.plan.test.number, seed)
    found = rehearse_hold(campaign, draw, rate=HELD, wrong=fault)
    minutes = found.seconds / 60.0
    return Work(
        tables=_boards(campaign, found.readings, draw.generator("boards"), rows_a_second=HELD),
        what=f"a pressure hold of {minutes:.0f} min",
        steps=((0.0, "vented, pressurised, held, vented again: nothing is to be done"),),
        command=f"standbook record {plan} --rehearsal",
    )


def _read(plan: Path, seed: int | None) -> "tuple[Campaign, World, Draw]":
    campaign = read_campaign(plan, today=today())
    draw = draw_for(campaign.plan.test.number, seed)
    return campaign, world_of(campaign.plan, campaign.stand, draw), draw


def _on_cell(
    campaign: Campaign, force: "Array", random: np.random.Generator, *, rows_a_second: int = SLOW
) -> "tuple[Table, ...]":
    """Return what the cell's board says of a force; all other inputs rest."""
    tag = cell_of(campaign)
    c = campaign.calibrations[tag]
    gain, zero = 1.0 + READ * float(random.standard_normal()), c.zero_uncertainty * float(random.standard_normal())
    return _boards(campaign, {tag: np.asarray(gain * force / c.scale + zero)}, random, rows_a_second=rows_a_second)


def _boards(
    campaign: Campaign,
    readings: "Mapping[str, Array]",
    random: np.random.Generator,
    *,
    rows_a_second: int = SLOW,
) -> "tuple[Table, ...]":
    """Return what every board says that has one of some inputs; all its others rest."""
    stand = campaign.stand
    boards = dict.fromkeys(stand.input_tagged(tag).device for tag in readings)
    return tuple(
        played_board(
            stand,
            board,
            campaign.calibrations,
            {tag: reading for tag, reading in readings.items() if stand.input_tagged(tag).device == board},
            random,
            rows_a_second=rows_a_second,
        )
        for board in boards
    )
