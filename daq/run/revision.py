"""Manage analysis revisions, ``analysis/rev-A``, ``rev-B``, ...: each kept, each sealed with what it builds on.

A revision's manifest names the run's manifest and the last addition's, so it is known which weighings it had seen.
"""

from collections.abc import Callable
from pathlib import Path

from standbook.daq.errors import RecordError
from standbook.daq.run.additions import additions_of
from standbook.daq.run.run_folder import ANALYSIS
from standbook.daq.storage.atomic_write import atomic_path, write_atomic
from standbook.daq.storage.durable_file import reason
from standbook.daq.storage.manifest import MANIFEST, verify, write_manifest

_PREFIX = "rev-"


def revisions_of(folder: Path) -> list[str]:
    """List a run's revisions in order."""
    place = folder / ANALYSIS
    found = [path.name.removeprefix(_PREFIX) for path in place.glob(f"{_PREFIX}*")] if place.is_dir() else []
    return sorted((name for name in found if name.isalpha() and name.isupper()), key=lambda name: (len(name), name))


def next_revision(folder: Path) -> str:
    """Return the letters after the last revision's: A, B, ... Z, AA, AB, ..."""
    known = revisions_of(folder)
    number = 1
    for letter in known[-1] if known else "":
        number = 26 * (number - 1) + ord(letter) - ord("A") + 2
    letters = ""
    while number:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def revision_folder(folder: Path, revision: str) -> Path:
    """Name the folder of an analysis revision."""
    return folder / ANALYSIS / f"rev-{revision}"


def open_revision(folder: Path, revision: str | None = None) -> Path:
    """Find an analysis revision, the newest unless told otherwise, and check it against its manifest.

    Raises
    ------
    RecordError
        There is none, no such one, or it was changed.
    """
    known = revisions_of(folder)
    if not known:
        raise RecordError(f"{folder}: not analysed yet; analyse it first: standbook analyse {folder}")
    if revision is not None and revision not in known:
        raise RecordError(f"{folder}: no analysis revision {revision}; there are {', '.join(known)}")
    place = revision_folder(folder, revision or known[-1])
    verify(place)
    return place


def write_page(revision: Path, html: str, *, copy: str = "") -> Path:
    """Write the report of an analysis revision beside it, whole or not at all, and return its path.

    ``copy`` names one that is not the report itself, such as a redacted one.

    Raises
    ------
    RecordError
        The disk refuses; an older report stands.
    """
    place = page_path(revision, copy=copy)
    write_atomic(place, html.encode())
    return place


def page_path(revision: Path, *, copy: str = "") -> Path:
    """Name the report of an analysis revision, or a copy of it."""
    return revision.parent / f"report_{revision.name}{f'_{copy}' if copy else ''}.html"


def write_revision(folder: Path, revision: str, build: Callable[[Path], None]) -> Path:
    """Write an analysis revision, whole or not at all, sealed by a manifest that names what it builds on.

    Parameters
    ----------
    folder : Path
        A sealed run.
    revision : str
        From :func:`next_revision`.
    build : callable
        Writes the revision's files into the folder it is given.

    Raises
    ------
    RecordError
        The revision exists, or the disk refuses.
    """
    place = revision_folder(folder, revision)
    if place.exists():
        raise RecordError(f"{place}: this revision exists; a revision is never written over")
    try:
        place.parent.mkdir(exist_ok=True)
    except OSError as error:
        raise RecordError(f"{place}: cannot be made: {reason(error)}") from error
    with atomic_path(place) as beside:
        beside.mkdir()
        build(beside)
        parents = [folder / MANIFEST, *(addition / MANIFEST for addition in additions_of(folder)[-1:])]
        write_manifest(beside, parents=parents)
    return place
