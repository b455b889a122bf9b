"""Lock plan, stand, calibrations and prediction before the run, by copies and hashes.

A prediction counts only if it was locked before T-0. A lock is a folder, ``locked/HF-02``, with copies of the
files and ``lock.json``; an older one is kept beside it as ``HF-02.1``, ``HF-02.2``, ... Only hashes decide
whether something changed, never file times. What a prediction says is another subject.
"""

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from standbook.daq.config.campaign import CALIBRATIONS, STAND_FILE, Campaign
from standbook.daq.errors import ConfigError, RecordError
from standbook.daq.regular_file import read_regular
from standbook.daq.stand_sheets.pull_file import PULLS, newest_pulls
from standbook.daq.stand_sheets.tap_file import TAPS, newest_taps
from standbook.daq.storage.atomic_write import atomic_path
from standbook.daq.storage.durable_file import reason, sync_folder
from standbook.daq.storage.manifest import sha256_of

LOCK_FILE = "lock.json"
PLAN_FILE = "plan.toml"
PREDICTION_FILE = "prediction.json"
FORMAT = 2
OLDER_FORMAT = 1  # had no hash of its own


@dataclass(frozen=True, slots=True)
class Lock:
    """What was locked, and when."""

    folder: Path
    number: str
    locked_at_utc: str  # ISO 8601
    files: Mapping[str, str]  # path inside the lock -> SHA-256

    @property
    def plan_sha256(self) -> str:
        """Hash of the plan as locked."""
        return self.files[PLAN_FILE]

    @property
    def locked_at(self) -> dt.datetime:
        """When it was locked, UTC."""
        return dt.datetime.fromisoformat(self.locked_at_utc)


def locked_name(campaign: Campaign, path: Path) -> str:
    """Name a campaign's typed file as it is called in a lock and in a run folder."""
    if path == campaign.plan_path:
        return PLAN_FILE
    return STAND_FILE if path.name == STAND_FILE else f"{CALIBRATIONS}/{path.name}"


def judging_files(campaign: Campaign) -> dict[str, Path]:
    """Return the files that a run is judged by, by their names in a lock: plan, stand, calibrations, pulls, taps.

    Raises
    ------
    ConfigError
        The file of a pull or of taps is damaged.
    """
    found = {locked_name(campaign, path): path for path in campaign.files()}
    cells = {item.tag for item in campaign.stand.input}
    pulls = [pull for pull in newest_pulls(campaign.folder, until=dt.date.max).values() if pull.tag in cells]
    if (taps := newest_taps(campaign.folder)) is not None:
        found[f"{TAPS}/{taps[0].name}"] = taps[0]
    return found | {f"{PULLS}/{pull.name}.toml": campaign.folder / PULLS / f"{pull.name}.toml" for pull in pulls}


def lock_campaign(
    campaign: Campaign, prediction: str | Mapping[str, Any] | None, *, now: dt.datetime, replace: bool = False
) -> Path:
    """Copy plan, stand, calibrations and prediction into ``locked/NUMBER``, whole or not at all.

    Parameters
    ----------
    campaign : Campaign
        Read and checked.
    prediction : str, mapping or None
        JSON text, kept as it is, or what can be written as JSON; ``None`` where the kind of test has no prediction.
    now : datetime
        With its time zone.
    replace : bool
        Keep an older lock under a number and make this one the current.

    Raises
    ------
    ConfigError
        A lock exists and ``replace`` is not set.
    RecordError
        The disk refused.
    """
    place = campaign.locked_folder
    if place.exists() and not replace:
        raise ConfigError(
            f"{place}: {campaign.plan.test.number} is locked already; to lock the plan as it is now, and keep the "
            f"older lock as {_older_name(place).name}, ask for it: standbook lock --again"
        )
    contents = {name: path.read_bytes() for name, path in judging_files(campaign).items()}
    if prediction is not None:
        text = prediction if isinstance(prediction, str) else json.dumps(prediction, indent=1, allow_nan=False) + "\n"
        contents[PREDICTION_FILE] = text.encode()
    told = {
        "format": FORMAT,
        "number": campaign.plan.test.number,
        "plan_sha256": hashlib.sha256(contents[PLAN_FILE]).hexdigest(),
        "locked_at_utc": now.astimezone(dt.UTC).isoformat(timespec="milliseconds"),
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in sorted(contents.items())},
    }
    contents[LOCK_FILE] = (json.dumps({**told, "sha256": _own_hash(told)}, indent=1) + "\n").encode()
    older = _older_name(place)
    try:
        place.parent.mkdir(exist_ok=True)
        with atomic_path(place) as beside:
            for name, content in contents.items():
                (beside / name).parent.mkdir(parents=True, exist_ok=True)
                (beside / name).write_bytes(content)
            if place.exists():
                place.rename(older)
                sync_folder(place.parent)
    except (OSError, RecordError) as error:
        if older.exists() and not place.exists():
            with suppress(OSError):
                older.rename(place)
        raise RecordError(f"{place}: cannot lock: {reason(error.__cause__ or error)}") from error
    return place


def _own_hash(told: Mapping[str, Any]) -> str:
    """Hash what a lock says, the instant of locking included, whatever its spelling."""
    rest = {key: value for key, value in told.items() if key != "sha256"}
    return hashlib.sha256(json.dumps(rest, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _older_name(place: Path) -> Path:
    number = 1
    while place.with_name(f"{place.name}.{number}").exists():
        number += 1
    return place.with_name(f"{place.name}.{number}")


def read_lock(folder: Path) -> Lock:
    """Read a lock and check its copies against it.

    Raises
    ------
    RecordError
        It is damaged, or it or a copy in it changed.
    """
    place = folder / LOCK_FILE
    try:
        told = json.loads(read_regular(place))
        lock = Lock(folder, str(told["number"]), str(told["locked_at_utc"]), dict(told["files"]))
        right = told["plan_sha256"] == lock.plan_sha256 and lock.locked_at.tzinfo
        right = right and told["format"] in (FORMAT, OLDER_FORMAT)
        whole = told["format"] == OLDER_FORMAT or told["sha256"] == _own_hash(told)
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        right, whole = None, False
    if not right:
        raise RecordError(f"{place}: not a readable lock; lock the plan again")
    if not whole:
        raise RecordError(f"{place}: what it says, its instant or its hashes, has changed; lock the plan again")
    changed = [
        name
        for name, expected in lock.files.items()
        if not (folder / name).is_file() or sha256_of(folder / name) != expected
    ]
    if changed:
        raise RecordError(f"{folder}: {', '.join(changed)} inside the lock has changed; lock the plan again")
    return lock


def check_lock(campaign: Campaign) -> Lock | None:
    """Return the lock of a campaign's plan if nothing changed since, ``None`` where there is none.

    Raises
    ------
    ConfigError
        A file changed after locking; one problem a file.
    RecordError
        The lock itself is damaged.
    """
    if not campaign.locked_folder.is_dir():
        return None
    lock = read_lock(campaign.locked_folder)
    now = judging_files(campaign)
    what = (
        "lock the plan again before the run (standbook lock --again), or record without a locked prediction "
        "(--postdiction)"
    )
    when = f"{lock.locked_at:%Y-%m-%d %H:%M:%S} UTC"
    problems = [
        f"{path}: changed after locking at {when}; {what}"
        for name, path in now.items()
        if name in lock.files and sha256_of(path) != lock.files[name]
    ]
    problems += [f"{path}: not in the lock of {when}; {what}" for name, path in now.items() if name not in lock.files]
    if problems:
        raise ConfigError(*problems)
    return lock
