"""Seal a folder by the SHA-256 hash of every file in it, so that one changed bit anywhere is found.

A manifest is JSON of one canonical spelling and carries the hash of itself, so damage to the manifest shows too.
It proves that nothing changed by accident. Someone who means to deceive can write a new one: print its hash in
the report, or keep it elsewhere.
"""

import hashlib
import json
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from standbook.daq.errors import RecordError
from standbook.daq.regular_file import check_regular, read_regular
from standbook.daq.storage.atomic_write import write_atomic
from standbook.daq.storage.durable_file import reason

MANIFEST = "manifest.json"
FORMAT = 1
NAMED_AT_MOST = 5  # files in one message; the rest are counted
DERIVED = "samples/"  # in a run folder
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True)
class Manifest:
    """Hashes of a folder's files when it was sealed."""

    sha256: str  # of the manifest file itself
    files: Mapping[str, str]  # path inside the folder, with slashes -> SHA-256
    parents: Mapping[str, str]  # path of a manifest that this folder builds on, relative to the folder -> SHA-256


def sha256_of(path: Path) -> str:
    """Hash one file.

    Raises
    ------
    RecordError
        It cannot be read.
    """
    try:
        check_regular(path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {reason(error)}") from error


def covered(folder: Path, *, leave_out: Iterable[str] = ()) -> list[str]:
    """List the files that a manifest of ``folder`` covers: all but itself, hidden files and the subfolders named."""
    skipped = set(leave_out)
    found = []
    for path in folder.rglob("*"):
        parts = path.relative_to(folder).parts
        if parts[0] in skipped or any(part.startswith(".") for part in parts) or path.is_dir():
            continue
        if parts != (MANIFEST,):
            found.append("/".join(parts))
    return sorted(found)


def write_manifest(folder: Path, *, leave_out: Iterable[str] = (), parents: Iterable[Path] = ()) -> Manifest:
    """Seal a folder.

    Parameters
    ----------
    folder : Path
        Holds the files.
    leave_out : iterable of str
        Subfolders with manifests of their own.
    parents : iterable of Path
        Manifest files that the folder builds on.

    Raises
    ------
    RecordError
        The folder is sealed already, or a file cannot be read or written.
    """
    place = folder / MANIFEST
    if place.exists():
        raise RecordError(f"{place}: already sealed; what is sealed is never touched again")
    files = {name: sha256_of(folder / name) for name in covered(folder, leave_out=leave_out)}
    above = {_relative(parent, folder): sha256_of(parent) for parent in parents}
    write_atomic(place, _spelling({"format": FORMAT, "files": files, "parents": above}))
    return Manifest(sha256_of(place), files, above)


def read_manifest(folder: Path) -> Manifest:
    """Read a folder's manifest and check it against its own hash.

    Raises
    ------
    RecordError
        It is missing or damaged.
    """
    place = folder / MANIFEST
    if not os.path.lexists(place):
        raise RecordError(f"{folder}: no {MANIFEST}; not sealed yet; seal it with: standbook recover {folder}")
    try:
        content = read_regular(place)
        told = json.loads(content)
        body = {key: told[key] for key in ("format", "files", "parents")}
        right = _spelling(body) == content and body["format"] == FORMAT
        right = right and _is_hashes(body["files"]) and _is_hashes(body["parents"])
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        right = False
    if not right:
        raise RecordError(f"{place}: damaged: does not match its own hash; take the folder from the second copy")
    return Manifest(hashlib.sha256(content).hexdigest(), told["files"], told["parents"])


def _is_hashes(told: object) -> bool:
    return isinstance(told, dict) and all(isinstance(value, str) for value in told.values())


def verify(folder: Path, *, leave_out: Iterable[str] = ()) -> Manifest:
    """Check every file of a folder, and the manifests that it builds on, against the manifest.

    Raises
    ------
    RecordError
        Names the files that changed, are missing or were not there when the folder was sealed.
    """
    manifest = read_manifest(folder)
    present = set(covered(folder, leave_out=leave_out))
    faults = []
    for name, expected in manifest.files.items():
        if name not in present:
            faults.append(f"{name} is missing")
        elif sha256_of(folder / name) != expected:
            faults.append(f"{name} has changed")
    faults += [f"{name} was not there" for name in sorted(present - set(manifest.files))]
    for name, expected in manifest.parents.items():
        above = folder / name
        if not above.is_file():
            faults.append(f"{name}, which it builds on, is missing")
        elif sha256_of(above) != expected:
            faults.append(f"{name}, which it builds on, has changed")
    if faults:
        more = f" and {len(faults) - NAMED_AT_MOST} more" if len(faults) > NAMED_AT_MOST else ""
        # Samples are made from the journals, so what happened to them alone can be made good.
        derived = all(fault.startswith(DERIVED) for fault in faults)
        again = f"build it again from its journals (standbook recover {folder} --into NEW_FOLDER), or "
        raise RecordError(
            f"{folder}: does not match its manifest: {', '.join(faults[:NAMED_AT_MOST])}{more}; "
            f"{again if derived else ''}take the folder from the second copy"
        )
    return manifest


def _spelling(body: Mapping[str, Any]) -> bytes:
    """Write a manifest in its only spelling, the hash of the rest last."""
    plain = {key: dict(sorted(v.items())) if isinstance(v, Mapping) else v for key, v in body.items()}
    inner = json.dumps(plain, indent=1, ensure_ascii=False)
    return (
        json.dumps({**plain, "sha256": hashlib.sha256(inner.encode()).hexdigest()}, indent=1, ensure_ascii=False) + "\n"
    ).encode()


def _relative(path: Path, folder: Path) -> str:
    return Path(os.path.relpath(path.resolve(), folder.resolve())).as_posix()
