"""Make the run that something is recorded into for which nobody has a plan.

It has the shape of every other run, with a plan that says so: nothing is predicted, and no verdict comes of it.
"""

import datetime as dt
import itertools
from collections.abc import Callable, Collection, Sequence
from contextlib import suppress
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from standbook.daq.config.calibration import Calibration, read_calibration
from standbook.daq.config.campaign import CALIBRATIONS, RUNS, STAND_FILE
from standbook.daq.config.plan import FileName
from standbook.daq.config.stand import Stand, read_stand
from standbook.daq.errors import ConfigError, RecordError, StandError
from standbook.daq.kinds.registry import BENCH
from standbook.daq.run.lock import PLAN_FILE
from standbook.daq.run.new_run import BITS_PER_BYTE, first_free, free_space, make_run_folder
from standbook.daq.run.run_folder import RunInfo, read_run_files

ROOM_FOR = 3 * 3600.0  # s of all ports at full rate, that must be free

# Nobody read a barometer for it: the air of any place below 1500 m, in any season.
_PLAN = """\
[test]
number = "{name}"
kind = "{kind}"
stand = "{stand}"
article = "none"
objective = "recorded without a plan"

[site]
ambient_pressure = "93 +/- 5 kPa(a)"
ambient_temperature = "15 +/- 12 degC"
"""


def create_bench_run(
    campaign: Path,
    name: str,
    devices: Sequence[str],
    *,
    rehearsal: bool,
    now: dt.datetime,
    software: str,
    free: Callable[[Path], int] = free_space,
) -> Path:
    """Make the folder ``CAMPAIGN/runs/DATE_NAME`` for boards that are recorded without a plan.

    Parameters
    ----------
    campaign : Path
        Holds ``stand.toml``.
    name : str
        Of the recording: letters, digits, dots, dashes; a number follows where the day has one already.
    devices : sequence of str
        Boards of the stand that are recorded, at least one.
    rehearsal : bool
        The data may be simulated; marks the run for good.
    now : datetime
        When it begins, with its time zone.
    software : str
        Name and version.
    free : callable
        Gives the free bytes of a folder's disk.

    Raises
    ------
    ConfigError
        No stand, a board that it does not have, a name that cannot name files, a damaged calibration or layout.
    RecordError
        The disk is too full or refuses.
    """
    check_name(name)
    stand = read_stand(campaign / STAND_FILE)
    if unknown := [device for device in devices if device not in {known.name for known in stand.device}]:
        known = ", ".join(device.name for device in stand.device)
        raise ConfigError(f"{campaign / STAND_FILE}: has no device {unknown[0]}; it has {known}")
    part = stand.of_devices(devices)
    _check_space(part, campaign, free)
    place = first_free(campaign / RUNS / f"{now:%Y-%m-%d}_{name}{'_rehearsal' if rehearsal else ''}")
    content = {
        PLAN_FILE: _PLAN.format(name=name, kind=BENCH.name, stand=stand.name).encode(),
        STAND_FILE: (campaign / STAND_FILE).read_bytes(),
    }
    content |= {
        f"{CALIBRATIONS}/{calibration.name}.toml": (campaign / CALIBRATIONS / f"{calibration.name}.toml").read_bytes()
        for calibration in newest_calibrations(campaign, {item.supply for item in part.input if item.supply})
    }
    info = RunInfo(
        number=name,
        kind=BENCH.name,
        rehearsal=rehearsal,
        software=software,
        created_utc=now.astimezone(dt.UTC).isoformat(timespec="milliseconds"),
        prediction="postdiction",
        lock=None,
        devices=tuple(devices),
    )
    make_run_folder(place, info, content, devices)
    return place


def next_name(campaign: Path, stem: str, *, now: dt.datetime) -> str:
    """Return the first of ``STEM-1``, ``STEM-2``, ... that no run of the day has, rehearsals among them."""
    taken = {path.name.removesuffix("_rehearsal") for path in (campaign / RUNS).glob(f"{now:%Y-%m-%d}_{stem}-*")}
    names = (f"{stem}-{number}" for number in itertools.count(1))
    return next(name for name in names if f"{now:%Y-%m-%d}_{name}" not in taken)


def is_bench_run(folder: Path) -> bool:
    """Tell whether a folder is a run that was recorded without a plan; what cannot be read is none."""
    with suppress(StandError):
        return read_run_files(folder).info.kind == BENCH.name
    return False


def check_name(name: str) -> None:
    """Refuse a name that cannot name a folder and stand in a plan; ``ConfigError``."""
    try:
        TypeAdapter(FileName).validate_python(name)
    except ValidationError as error:
        raise ConfigError(f"name of the recording: {error.errors()[0]['ctx']['error']}") from None


def newest_calibrations(campaign: Path, tags: Collection[str]) -> tuple[Calibration, ...]:
    """Read the newest calibration of each tag that has one: by its date, then by its revision's name."""
    newest: dict[str, Calibration] = {}
    for path in sorted((campaign / CALIBRATIONS).glob("*.toml")):
        if path.stem.rpartition("_")[0] not in tags:
            continue
        found = read_calibration(path)
        last = newest.get(found.tag)
        if last is None or (found.date, found.revision) > (last.date, last.revision):
            newest[found.tag] = found
    return tuple(newest.values())


def _check_space(stand: Stand, campaign: Path, free: Callable[[Path], int]) -> None:
    needed = int(ROOM_FOR * sum(device.baud / BITS_PER_BYTE for device in stand.device))
    if (there := free(campaign)) < needed:
        raise RecordError(
            f"{campaign}: disk full: {there / 1e9:.1f} GB free, {needed / 1e9:.1f} GB needed (three hours of all "
            "ports); free some space"
        )
