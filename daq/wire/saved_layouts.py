"""Save and read stream layouts that a board sent on an earlier day, for rows whose hello never comes.

``CAMPAIGN/layouts/<device>.json`` holds hellos as the board sent them; a run takes a copy. A saved layout explains
rows that carry its stream and layout number; which start of the board they are of, it does not know. A board that
prints text lines needs none: its stand file names the columns.
"""

import json
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from standbook.daq.errors import ConfigError, FrameError, RecordError
from standbook.daq.regular_file import read_regular
from standbook.daq.storage.atomic_write import write_atomic
from standbook.daq.storage.durable_file import reason
from standbook.daq.wire.hello import Hello

LAYOUTS = "layouts"  # the folder, in a campaign and in a run
FORMAT = 1
AGAIN = "save it again with: standbook ports --listen PORT --save CAMPAIGN"


def layouts_path(folder: Path, device: str) -> Path:
    """Name the file of one device's layouts in a campaign or run folder."""
    return folder / LAYOUTS / f"{device}.json"


def write_layouts(folder: Path, device: str, hellos: Iterable[Hello], saved_utc: str) -> Path:
    """Save what a device said of its streams; a file that is there is replaced.

    Parameters
    ----------
    folder : Path
        A campaign.
    device : str
        As the stand calls it.
    hellos : iterable of Hello
        The newest of each stream and layout is kept.
    saved_utc : str
        When, ISO 8601.

    Raises
    ------
    ValueError
        There is no hello to save, or the name is no file's.
    RecordError
        The disk refuses.
    """
    newest = {(hello.stream, hello.layout): hello for hello in hellos}
    if not newest:
        raise ValueError("no hello to save")
    if Path(device).name != device:
        raise ValueError(f"{device!r} cannot name a file")
    told = {
        "format": FORMAT,
        "device": device,
        "saved_utc": saved_utc,
        "hellos": [json.loads(newest[key].to_json()) for key in sorted(newest)],
    }
    place = layouts_path(folder, device)
    try:
        place.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{place}: cannot be written: {reason(error)}") from error
    write_atomic(place, (json.dumps(told, indent=1, ensure_ascii=False) + "\n").encode())
    return place


def load_layouts(folder: Path, device: str) -> tuple[Hello, ...]:
    """Read one device's saved layouts; none where nothing was saved.

    Parameters
    ----------
    folder : Path
        A campaign or run folder.
    device : str
        As the stand calls it.

    Raises
    ------
    ConfigError
        One sentence that names the file and its first fault.
    """
    path = layouts_path(folder, device)
    try:
        content = read_regular(path)
    except FileNotFoundError:
        return ()
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {reason(error)}") from error
    return read_layouts(content, str(path), device)


def read_layouts(content: bytes, name: str, device: str) -> tuple[Hello, ...]:
    """Read what a layouts file holds; ``name`` is what a message calls it.

    Raises
    ------
    ConfigError
        It is not JSON, of another format or device, or a hello in it contradicts itself.
    """
    try:
        told: Any = json.loads(content.decode("utf-8"))
    except (ValueError, RecursionError):
        raise ConfigError(f"{name}: not readable JSON; {AGAIN}") from None
    if not isinstance(told, dict) or told.get("format") != FORMAT:
        raise ConfigError(f"{name}: is no layouts file of format {FORMAT}; {AGAIN}")
    if told.get("device") != device:
        raise ConfigError(f'{name}: is of device {str(told.get("device"))[:64]!r}, not of "{device}"; {AGAIN}')
    entries = told.get("hellos")
    if not isinstance(entries, list) or not entries:
        raise ConfigError(f"{name}: holds no hello; {AGAIN}")
    hellos = []
    for number, entry in enumerate(entries, start=1):
        try:
            hellos.append(Hello.from_json(json.dumps(entry, separators=(",", ":"), ensure_ascii=False).encode()))
        except (FrameError, UnicodeEncodeError, RecursionError) as error:
            raise ConfigError(f"{name}: hello {number}: {error}; {AGAIN}") from None
    return tuple(hellos)


def saved_files(campaign: Path, devices: Iterable[str]) -> Mapping[str, bytes]:
    """Return the layouts files of a campaign that a run takes along, each checked, by path inside the folder.

    Raises
    ------
    ConfigError
        As for :func:`load_layouts`.
    """
    found = {}
    for device in devices:
        path = layouts_path(campaign, device)
        if load_layouts(campaign, device):
            found[f"{LAYOUTS}/{path.name}"] = path.read_bytes()
    return found
