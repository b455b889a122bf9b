"""Tell how far a run folder has come: being recorded, not sealed, sealed."""

from pathlib import Path
from typing import NamedTuple

from standbook.daq.run.run_folder import RAW
from standbook.daq.storage.folder_lock import is_folder_locked
from standbook.daq.storage.manifest import MANIFEST, read_manifest

RECORDING, NOT_SEALED, SEALED = "recording", "not sealed", "sealed"


class RunProgress(NamedTuple):
    """How far a run has come."""

    state: str  # one of the three above
    manifest: str  # SHA-256 of its manifest; empty where there is none yet


def run_progress(folder: Path) -> RunProgress:
    """Tell how far a run folder has come; no file of it but the manifest is read.

    Raises
    ------
    RecordError
        The manifest is damaged.
    """
    if (folder / MANIFEST).is_file():
        return RunProgress(SEALED, read_manifest(folder).sha256)
    return RunProgress(RECORDING if is_folder_locked(folder / RAW) else NOT_SEALED, "")
