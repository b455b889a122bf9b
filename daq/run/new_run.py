"""Make the folder that a run is recorded into.

A rehearsal's folder ends in ``_rehearsal``, the next of the day in ``_rehearsal_2``.
"""

import datetime as dt
import itertools
import shutil
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Literal

from standbook.daq.config.campaign import RUNS, Campaign
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.errors import RecordError
from standbook.daq.run.lock import LOCK_FILE, PREDICTION_FILE, Lock, judging_files
from standbook.daq.run.run_folder import RAW, RUN_FILE, RunInfo
from standbook.daq.stand_sheets.evidence import evidence_files
from standbook.daq.storage.atomic_write import atomic_path
from standbook.daq.storage.durable_file import reason
from standbook.daq.storage.manifest import MANIFEST
from standbook.daq.wire.saved_layouts import saved_files

BITS_PER_BYTE = 10  # on a serial line: start bit, eight, stop bit


def required_space(plan: Plan, stand: Stand) -> int:
    """Return the free bytes that a run needs before it starts: all ports full for the planned time, times a factor."""
    rate = sum(device.baud / BITS_PER_BYTE for device in stand.device)
    return int(rate * plan.recording.planned_duration.value * plan.recording.free_space_factor)


def free_space(folder: Path) -> int:
    """Return the free bytes on the disk of a folder."""
    return shutil.disk_usage(folder).free


def create_run(
    campaign: Campaign,
    lock: Lock | None,
    *,
    rehearsal: bool,
    now: dt.datetime,
    software: str,
    source: Literal["recorded", "imported"] = "recorded",
    free: Callable[[Path], int] = free_space,
) -> Path:
    """Create the folder that a run is recorded into, with the locked files that it is judged by.

    Parameters
    ----------
    campaign : Campaign
        Read and checked.
    lock : Lock or None
        Current and checked; without one the prediction is a postdiction.
    rehearsal : bool
        Watermarks the run for good.
    now : datetime
        When the run begins, with its time zone; its date names the folder, a number after it a further rehearsal.
    software : str
        Name and version.
    source : str
        An imported run needs no room to record into.
    free : callable
        Gives the free bytes of a folder's disk.

    Raises
    ------
    RecordError
        The folder exists, the disk is too full or refuses.
    ConfigError
        A saved layout of one of its devices is damaged.
    """
    name = f"{now:%Y-%m-%d}_{campaign.plan.test.number}{'_rehearsal' if rehearsal else ''}"
    place = campaign.folder / RUNS / name
    if rehearsal:  # practised as often as one likes; a test happens once
        place = first_free(place)
    if place.exists():
        raise RecordError(
            f"{place}: run folder exists; a run is never recorded over. Give the plan a new number, or move the folder"
            + ("" if (place / MANIFEST).exists() else f"; it is not sealed yet: standbook recover {place}")
        )
    try:
        place.parent.mkdir(exist_ok=True)
        if source == "recorded":
            _check_space(campaign, place.parent, free)
        judged = _judged_by(campaign, lock) | _evidence(campaign, rehearsal=rehearsal)
    except OSError as error:
        raise _cannot_be_made(place, error) from error
    info = _run_info(campaign, lock, rehearsal, now, software, source)
    make_run_folder(place, info, judged, [device.name for device in campaign.stand.device])
    return place


def first_free(place: Path) -> Path:
    """Return a place, or the first of ``PLACE_2``, ``PLACE_3``, ... that is free."""
    again = (place.with_name(f"{place.name}_{number}") for number in itertools.count(2))
    return next(other for other in itertools.chain([place], again) if not other.exists())


def make_run_folder(place: Path, info: RunInfo, content: Mapping[str, bytes], devices: Sequence[str]) -> None:
    """Make a run folder, whole or not at all.

    Parameters
    ----------
    place : Path
        ``CAMPAIGN/runs/NAME``, not there yet.
    info : RunInfo
        Who it is.
    content : mapping of path within the folder to bytes
        What it is judged by: plan, stand, calibrations, prediction.
    devices : sequence of str
        Whose saved layouts are copied too.

    Raises
    ------
    RecordError
        The disk refuses.
    ConfigError
        A saved layout is damaged.
    """
    try:
        place.parent.mkdir(exist_ok=True)
        with atomic_path(place) as beside:
            for path, written in {**content, **saved_files(place.parent.parent, devices)}.items():
                (beside / path).parent.mkdir(parents=True, exist_ok=True)
                (beside / path).write_bytes(written)
            (beside / RAW).mkdir()
            (beside / RUN_FILE).write_text(info.model_dump_json(indent=1) + "\n", "utf-8")
    except OSError as error:
        raise _cannot_be_made(place, error) from error


def _cannot_be_made(place: Path, error: OSError) -> RecordError:
    return RecordError(f"{place}: cannot make the run folder: {reason(error)}")


def _check_space(campaign: Campaign, folder: Path, free: Callable[[Path], int]) -> None:
    needed, there = required_space(campaign.plan, campaign.stand), free(folder)
    if there < needed:
        recording = campaign.plan.recording
        raise RecordError(
            f"{folder}: disk full: {there / 1e9:.1f} GB free, {needed / 1e9:.1f} GB needed "
            f"({recording.free_space_factor:g} x {recording.planned_duration.text} of all ports); free some space, "
            "or correct planned_duration in the plan"
        )


def _judged_by(campaign: Campaign, lock: Lock | None) -> dict[str, bytes]:
    if lock is None:
        return {name: path.read_bytes() for name, path in judging_files(campaign).items()}
    return {name: (lock.folder / name).read_bytes() for name in (*lock.files, LOCK_FILE)}


def _evidence(campaign: Campaign, *, rehearsal: bool) -> dict[str, bytes]:
    """Return what was known of the stand: checks, holds, load, waivers; only an angle read there changes a number."""
    tanks = tuple(tank.name for tank in campaign.plan.tank)
    files = evidence_files(campaign.folder, campaign.plan.test.number, tanks, rehearsal=rehearsal)
    return {name: path.read_bytes() for name, path in files.items()}


def _run_info(
    campaign: Campaign,
    lock: Lock | None,
    rehearsal: bool,
    now: dt.datetime,
    software: str,
    source: Literal["recorded", "imported"],
) -> RunInfo:
    has_prediction = lock is not None and PREDICTION_FILE in lock.files and lock.locked_at <= now
    return RunInfo(
        number=campaign.plan.test.number,
        kind=campaign.plan.test.kind,
        rehearsal=rehearsal,
        software=software,
        created_utc=now.astimezone(dt.UTC).isoformat(timespec="milliseconds"),
        prediction="locked" if has_prediction else "postdiction",
        lock=None if lock is None else {"plan_sha256": lock.plan_sha256, "locked_at_utc": lock.locked_at_utc},
        source=source,
    )
