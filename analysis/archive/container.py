"""Write a zip whose bytes follow from what is in it alone, and read one that may be anything.

Entries are sorted, their times and modes fixed. The zip's comment holds the SHA-256 of all bytes before it, so that one
changed bit anywhere shows, in the zip's own tables too. What a zip declares is bounded before anything is read of it.
"""

import hashlib
import io
import stat
import struct
import zipfile
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO, Final

from standbook.daq.errors import DataError, RecordError

SUMS: Final = "SHA256SUMS"
FRAME: Final = b"standbook archive; SHA-256 of all bytes before these digits: "
DIGITS: Final = 64
TIME: Final = (1980, 1, 1, 0, 0, 0)
MODE: Final = stat.S_IFREG | 0o644
UNIX: Final = 3  # who made the entry, by which readers take its mode
METHODS: Final = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
MOST_ENTRIES: Final = 100_000
FREE_SIZE: Final = 1 << 28  # bytes that any archive may unpack to
MOST_TIMES: Final = 200  # a larger one: so many times its own size; records that were packed give 1 to 20
BLOCK: Final = 1 << 20
UNREADABLE: Final = (
    zipfile.BadZipFile,
    NotImplementedError,
    RuntimeError,
    ValueError,
    EOFError,
    KeyError,
    zlib.error,
    struct.error,
)
SECOND_COPY: Final = "take it from the second copy"


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One file of an archive: bytes, or a file on the disk."""

    name: str  # inside the archive's folder, with slashes
    source: bytes | Path

    def open(self) -> io.BufferedIOBase:
        """Open it for reading."""
        return io.BytesIO(self.source) if isinstance(self.source, bytes) else self.source.open("rb")

    @property
    def size(self) -> int:
        """Count its bytes."""
        return len(self.source) if isinstance(self.source, bytes) else self.source.stat().st_size

    def sha256(self) -> str:
        """Hash it."""
        with self.open() as file:
            return hashlib.file_digest(file, "sha256").hexdigest()


def sums_of(entries: Sequence[Entry]) -> bytes:
    """Return ``SHA256SUMS`` of entries, for ``sha256sum -c``.

    Raises
    ------
    DataError
        A name that no such list and no unpacking program takes as it is.
    """
    seen: set[str] = set()
    for entry in entries:
        if "\\" in entry.name or not entry.name.isprintable():
            raise DataError(f"{entry.name}: a name with a backslash or a control character cannot be archived")
        if entry.name.casefold() in seen:
            raise DataError(f"{entry.name}: names that differ by capitals alone cannot be unpacked everywhere")
        seen.add(entry.name.casefold())
    return "".join(f"{entry.sha256()}  {entry.name}\n" for entry in _sorted(entries)).encode("utf-8")


def write_zip(place: Path, folder: str, entries: Sequence[Entry]) -> None:
    """Write entries and their sums into a new zip, all in one folder of it.

    Raises
    ------
    DataError
        A name that cannot be archived.
    RecordError
        A file changed meanwhile.
    OSError
        A disk refuses.
    """
    sums = sums_of(entries)
    expected = {name: digest for digest, _, name in map(_parts_of, sums.decode("utf-8").splitlines())}
    with zipfile.ZipFile(place, "w", allowZip64=True) as packed:
        packed.comment = FRAME + b"0" * DIGITS
        for entry in _sorted([*entries, Entry(name=SUMS, source=sums)]):
            info = zipfile.ZipInfo(f"{folder}/{entry.name}", TIME)
            info.create_system, info.external_attr, info.compress_type = UNIX, MODE << 16, zipfile.ZIP_DEFLATED
            info.file_size = entry.size  # so that one of many gigabytes is announced as such
            digest = hashlib.sha256()
            with entry.open() as file, packed.open(info, "w") as out:
                for block in iter(lambda: file.read(BLOCK), b""):
                    digest.update(block)
                    out.write(block)
            if entry.name != SUMS and digest.hexdigest() != expected[entry.name]:
                raise RecordError(f"{entry.name}: changed while it was archived; wait for who writes it, then again")
    with place.open("r+b") as file:
        digits = _digest_before(file, place.stat().st_size - DIGITS)
        file.seek(-DIGITS, io.SEEK_END)
        file.write(digits)


def _parts_of(line: str) -> tuple[str, str, str]:
    """Part a line of sums into digits, what stands between, and name."""
    return line.partition("  ")


def _sorted(entries: Sequence[Entry]) -> list[Entry]:
    return sorted(entries, key=lambda entry: entry.name)


def _digest_before(file: BinaryIO, size: int) -> bytes:
    """Hash the first ``size`` bytes of a file, as the digits that its end holds."""
    digest = hashlib.sha256()
    file.seek(0)
    while size > 0:
        block = file.read(min(BLOCK, size))
        if not block:
            break
        digest.update(block)
        size -= len(block)
    return digest.hexdigest().encode("ascii")


@contextmanager
def opened_zip(place: Path) -> Iterator[tuple[str, zipfile.ZipFile]]:
    """Open an archive, after what it declares was found harmless; give the name of its folder and the zip.

    Raises
    ------
    RecordError
        It cannot be read, is no zip, declares what no archive of ours does, or a bit of it changed.
    """
    try:
        with place.open("rb") as file, zipfile.ZipFile(file) as packed:
            infos = packed.infolist()
            folder = _folder_of(place, infos)
            _check_sizes(place, infos, place.stat().st_size)
            _check_frame(place, file)
            yield folder, packed
    except UNREADABLE as error:
        raise RecordError(f"{place}: not a zip, or damaged: {error}; {SECOND_COPY}") from None


def _folder_of(place: Path, infos: Sequence[zipfile.ZipInfo]) -> str:
    """Return the one folder that all entries lie in; refuse names, links and methods that no archive has."""
    seen: set[str] = set()
    for info in infos:
        why = _fault_of(info)
        if not why and info.filename.casefold() in seen:
            why = "stands twice"
        if why:
            raise RecordError(f"{place}: {info.filename!r} {why}; no archive of standbook's, nothing was unpacked")
        seen.add(info.filename.casefold())
    folders = {info.filename.partition("/")[0] for info in infos}
    if len(folders) != 1:
        raise RecordError(f"{place}: {len(folders)} folders at the top, where an archive has one")
    return folders.pop()


def _fault_of(info: zipfile.ZipInfo) -> str:
    name, mode = info.orig_filename, info.external_attr >> 16
    parts = PurePosixPath(name).parts
    if name.startswith("/") or (name[1:2] == ":" and name[0].isalpha()):
        return "is an absolute name"
    if ".." in parts or "\\" in name or not name.isprintable() or name != "/".join(parts) or len(parts) < 2:
        return "is a name that leads elsewhere"
    if info.flag_bits & 0x1:
        return "is encrypted"
    if stat.S_IFMT(mode) not in (0, stat.S_IFREG):
        return "is a link or something else that is no file"
    return "" if info.compress_type in METHODS else "is packed by another method"


def _check_sizes(place: Path, infos: Sequence[zipfile.ZipInfo], size: int) -> None:
    declared = sum(info.file_size for info in infos)
    if len(infos) > MOST_ENTRIES or declared > max(FREE_SIZE, MOST_TIMES * size):
        raise RecordError(
            f"{place}: {len(infos):,} files of {declared:,} bytes in a zip of {size:,}: no record packs like that, "
            "nothing was unpacked"
        )


def _check_frame(place: Path, file: BinaryIO) -> None:
    size = place.stat().st_size
    file.seek(max(size - len(FRAME) - DIGITS, 0))
    end = file.read()
    if end[: len(FRAME)] != FRAME or _digest_before(file, size - DIGITS) != end[len(FRAME) :]:
        raise RecordError(
            f"{place}: not as standbook archive wrote it: its SHA-256 does not match its own; {SECOND_COPY}, or unpack "
            f"it and see by sha256sum -c {SUMS} what changed"
        )


def unpack(packed: zipfile.ZipFile, folder: str, to: Path) -> None:
    """Hold every file of an opened archive against its sums, and write it below an empty folder.

    Raises
    ------
    RecordError
        A file is not what the sums say, is missing, or is one too many.
    OSError
        The disk refuses.
    """
    listed = packed.read(f"{folder}/{SUMS}").decode("utf-8").splitlines()
    expected = {name: digest for digest, _, name in map(_parts_of, listed)}
    names = {info.filename.partition("/")[2] for info in packed.infolist()} - {SUMS}
    if names != set(expected):
        odd = min(names ^ set(expected))
        where = "not in" if odd in names else "only in"
        raise RecordError(f"{packed.filename}: {odd} is {where} {SUMS}; {SECOND_COPY}")
    for name in sorted(names):
        target, digest = to / name, hashlib.sha256()
        target.parent.mkdir(parents=True, exist_ok=True)
        with packed.open(f"{folder}/{name}") as file, target.open("wb") as out:
            for block in iter(lambda: file.read(BLOCK), b""):
                digest.update(block)
                out.write(block)
        if digest.hexdigest() != expected[name]:
            raise RecordError(f"{packed.filename}: {name} has changed; {SECOND_COPY}")
