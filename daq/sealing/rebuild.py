"""Rebuild a sealed run in a new folder from its raw and locked files, which are checked against its manifest.

For samples that were damaged or lost after sealing, and for records that a later version decodes better. The old
folder is only read. What changed since it was sealed is copied as it is and named in the new record.
"""

import shutil
from pathlib import Path

from standbook.daq.errors import RecordError, StandError
from standbook.daq.run.record_summary import NoteRecord, RecordSummary
from standbook.daq.run.run_folder import ASIDE, RAW, RECORD_FILE, SAMPLES, read_run_files
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.atomic_write import atomic_path
from standbook.daq.storage.durable_file import reason
from standbook.daq.storage.manifest import MANIFEST, covered, read_manifest, sha256_of


def rebuild(folder: Path, into: Path) -> RecordSummary:
    """Build a new run folder from a sealed one.

    Parameters
    ----------
    folder : Path
        A sealed run; nothing in it is touched. Additions and analyses are not taken along: they are about the old
        manifest.
    into : Path
        A folder that does not exist.

    Raises
    ------
    RecordError
        The run is imported or not sealed, the new folder exists or lies in the old one, or the disk refuses.
    """
    if read_run_files(folder).info.source == "imported":
        raise RecordError(f"{folder}: is imported, it has no journals; import its CSV again: standbook import")
    if into.exists():
        raise RecordError(f"{into}: exists already; name a new folder, nothing is ever built over another")
    if folder.resolve() in into.resolve().parents:
        raise RecordError(f"{into}: lies in the sealed run itself; name a folder beside it")
    if not into.resolve().parent.is_dir():
        raise RecordError(f"{into}: its parent folder does not exist; make it first")
    remarks, names = _checked(folder)
    with atomic_path(into.resolve()) as beside:
        try:
            (beside / RAW).mkdir(parents=True)
            for name in names:
                (beside / name).parent.mkdir(parents=True, exist_ok=True)
                shutil.copyfile(folder / name, beside / name)
        except OSError as error:
            raise RecordError(f"{into}: cannot copy from {folder}: {reason(error)}") from error
        try:
            return seal(beside, remarks=remarks)
        except StandError as error:  # its sentence names the place that is being built, which nobody has heard of
            raise type(error)(*str(error).replace(str(beside), str(into)).splitlines()) from error


def _checked(folder: Path) -> tuple[list[NoteRecord], list[str]]:
    """Name what is copied, and say what of it is no longer as it was sealed."""
    present = [name for name in covered(folder, leave_out=(*ASIDE, SAMPLES)) if name != RECORD_FILE]
    try:
        manifest = read_manifest(folder)
    except RecordError:
        if not (folder / MANIFEST).exists():
            raise
        text = f"rebuilt from {folder.name}, whose {MANIFEST} is damaged: nothing could be checked against it"
        return [NoteRecord(severity="serious", host_ns=None, text=text)], present
    sealed = {
        name: sha256
        for name, sha256 in manifest.files.items()
        if name != RECORD_FILE and not name.startswith(f"{SAMPLES}/")
    }
    text = f"rebuilt from {folder.name}, sealed as {manifest.sha256}"
    remarks = [NoteRecord(severity="note", host_ns=None, text=text)]
    faults = [f"{name} is missing" for name in sealed if name not in present]
    faults += [
        f"{name} has changed since it was sealed"
        for name in present
        if name in sealed and sha256_of(folder / name) != sealed[name]
    ]
    faults += [f"{name} was not there when it was sealed" for name in present if name not in sealed]
    remarks += [NoteRecord(severity="serious", host_ns=None, text=f"{folder.name}: {fault}") for fault in faults]
    return remarks, present
