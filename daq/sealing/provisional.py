"""Seal a copy of a recording that goes on, so that what came until now can be looked at; the recording is only read.

The end of a journal may be torn in the copy, as after a crash; what follows stays with the recording.
"""

import shutil
from pathlib import Path

from standbook.daq.errors import RecordError
from standbook.daq.run.run_folder import ASIDE, SAMPLES
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.durable_file import reason

ROOM_FOR = 4  # times what is copied, that must be free: the copy and its samples


def sealed_copy(folder: Path, place: Path) -> Path:
    """Copy a recording into a folder and seal the copy there.

    Parameters
    ----------
    folder : Path
        The run that is being recorded, or ended before it was sealed.
    place : Path
        An empty folder, best on another disk than the recording's.

    Returns
    -------
    Path
        The sealed copy, of the same name.

    Raises
    ------
    RecordError
        There is no room for a copy, or the disk refuses.
    ConfigError
        A typed file of the run is damaged.
    """
    leave = {*ASIDE, SAMPLES}
    try:
        within = [path for path in folder.rglob("*") if path.relative_to(folder).parts[0] not in leave]
        files = [path for path in within if path.is_file()]
        wanted = ROOM_FOR * sum(path.stat().st_size for path in files)
        free = shutil.disk_usage(place).free
        if free < wanted:
            raise RecordError(
                f"{place}: {free / 1e6:,.0f} MB free, {wanted / 1e6:,.0f} MB needed to look at {folder.name} while it "
                "is recorded; nothing was written"
            )
        copy = place / folder.name
        for path in files:
            target = copy / path.relative_to(folder)
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)
    except OSError as error:
        raise RecordError(f"{place}: cannot copy {folder.name}: {reason(error)}") from error
    seal(copy)
    return copy
