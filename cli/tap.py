"""``standbook tap``: modes, damping and moving mass of the stand, from taps with a soft mallet."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import PlanPath, say, say_wrapped, today
from standbook.cli.sheets import cell_of, free_place, write_new
from standbook.daq.errors import EXIT_FINDINGS, DataError, UsageError

if TYPE_CHECKING:
    from standbook.analysis.stand_sheets.tap_record import StateOfTaps, TapTest
    from standbook.daq.bench.step_taking import Step
    from standbook.daq.config.campaign import Campaign
    from standbook.daq.run.run_folder import Run

BOLTED = "bolted"
KEYS = (
    "Tap softly on the thrust line, ten times, and wait until it is still each time. Space ends a mass and asks for "
    "the next, Backspace takes that back, Q ends. Never on a pressurised or fuelled article."
)


def tap(
    plan: PlanPath,
    tanks: Annotated[
        str, typer.Option("--tanks", metavar="WORDS", help='What is in the tanks: "full, water" or "empty".')
    ],
    added: Annotated[
        list[str] | None,
        typer.Option(
            "--added", metavar="MASS", help='A mass bolted on where the propellant rides, "10.00 +/- 0.01 kg".'
        ),
    ] = None,
    port: Annotated[
        list[str] | None, typer.Option("--port", metavar="DEVICE=PATH", help="Where a board is, if it is not found.")
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="The board is simulated: practice, and no evidence.")
    ] = False,
    journal: Annotated[
        Path | None, typer.Option("--journal", metavar="RUN", help="Fit the taps of this recording again.")
    ] = None,
) -> None:
    """Record taps on the stand, as it is and with masses added, and fit every one: taps/DATE.toml.

    The newest test with full tanks takes the place of modes and moving_mass of the stand file. Ends with 10 where a
    tap could not be used or no moving mass comes of it.

    Example: standbook tap teasel-2/plans/HF-02.toml --tanks full
    """
    from standbook.daq.config.campaign import read_campaign

    if journal is not None and (port or rehearsal):
        raise UsageError("--journal fits a recording again; give no ports with it")
    campaign = read_campaign(plan, today=today())
    masses = [(0.0, 0.0), *(_mass(text) for text in added or ())]
    tag = cell_of(campaign)
    again = journal is not None
    if journal is None:
        from standbook.cli.record import ports_of

        journal = _recorded(campaign, tag, masses, ports_of(port or []), rehearsal=rehearsal)
    if not say_taps(campaign, tag, masses, tanks, journal, written=not again):
        raise typer.Exit(EXIT_FINDINGS)


def _mass(text: str) -> tuple[float, float]:
    from standbook.daq.quantity import parse_quantity

    try:
        mass = parse_quantity(text, "mass")
    except ValueError as error:
        raise UsageError(f"--added: {error}") from None
    if mass.value <= 0.0:
        raise UsageError(f'--added: "{text}" must be more than zero')
    return mass.value, mass.u


def _steps(tag: str, masses: Sequence[tuple[float, float]]) -> "tuple[Step, ...]":
    from standbook.analysis.stand_sheets.tap_record import state_name
    from standbook.daq.bench.step_taking import Step

    asks = "ten soft taps, still between them; space when done"
    steps = []
    for mass, _ in masses:
        if mass > 0.0:  # what knocks the stand until then is none of the taps
            on = "bolt it on where the propellant rides, stand back; space when it is still"
            steps.append(Step(name=f"{BOLTED} {mass:g} kg", asks=on, tags=(tag,), stands=False))
        steps.append(Step(name=state_name(mass), asks=asks, tags=(tag,), stands=False))
    return tuple(steps)


def _recorded(
    campaign: "Campaign", tag: str, masses: Sequence[tuple[float, float]], ports: dict[str, str], *, rehearsal: bool
) -> Path:
    from standbook.cli.guided import GuidedRecording, record_guided
    from standbook.daq.bench.live_level import LiveLevels
    from standbook.daq.bench.step_taking import StepTaking

    live = LiveLevels(campaign.stand, [tag], campaign.calibrations)
    order = GuidedRecording(
        name=f"{tag}_taps",
        campaign=campaign.folder,
        stand=campaign.stand.of_devices(live.of[tag].devices),
        ports=ports,
        rehearsal=rehearsal,
        keys=KEYS,
    )
    return record_guided(order, live, lambda marks: StepTaking(_steps(tag, masses), live, marks, lambda _: ()))


def say_taps(
    campaign: "Campaign",
    tag: str,
    masses: Sequence[tuple[float, float]],
    tanks: str,
    journal: Path,
    *,
    written: bool,
) -> bool:
    """Fit a recording's taps, say and write what comes of it; tell whether nothing needs review."""
    from standbook.analysis.stand_sheets.tap_record import tap_test
    from standbook.analysis.stand_sheets.tap_text import tap_text
    from standbook.daq.config.toml_document import parse_document
    from standbook.daq.run.run_folder import open_run
    from standbook.daq.stand_sheets.tap_file import TAPS, TapFile

    run = open_run(journal)
    test = tap_test(_states(run, tag, masses))
    notes = [f"REVIEW: {note}" for state in test.states for note in state.notes]
    say_wrapped((*test.sentences, *notes))
    if written:
        day = today()
        place = free_place(campaign.folder / TAPS, str(day))
        text = tap_text(test, date=day, tag=tag, journal=run.folder.name, tanks=tanks, rehearsal=run.info.rehearsal)
        parse_document(text, TapFile, str(place))  # what is written reads back, or is not written
        write_new(place, text)
        say(f"Taps: {place}")
    return _is_clear(test)


def _is_clear(test: "TapTest") -> bool:
    return not any(state.notes for state in test.states) and not any(s.startswith("REVIEW") for s in test.sentences)


def _states(run: "Run", tag: str, masses: Sequence[tuple[float, float]]) -> "list[StateOfTaps]":
    """Return the states of a recording: each from the mark before its own."""
    from standbook.analysis.stand_sheets.tap_record import state_of
    from standbook.daq.bench.recorded_levels import signal_of
    from standbook.daq.bench.step_taking import STEP_KEY

    marks = sorted((m for m in run.record.marks if m.key == STEP_KEY and not m.struck), key=lambda m: m.host_ns)
    tapped = [mark for mark in marks if not mark.text.startswith(f"{BOLTED} ")]
    if len(tapped) != len(masses):
        raise DataError(f"{run.folder}: {len(tapped)} of {len(masses)} masses were tapped; the recording is kept")
    time, signal, origin = signal_of(run, tag)
    waiting, states, start = list(masses), [], float(time[0])
    for mark in marks:
        end = (mark.host_ns - origin) / 1e9
        if mark in tapped:
            part = (time >= start) & (time <= end)
            states.append(state_of(time[part], signal[part], waiting.pop(0)))
        start = end
    return states
