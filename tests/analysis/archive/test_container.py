"""A zip whose bytes follow from its content, and zips that were made to harm or are harmed."""

import hashlib
import itertools
import struct
import subprocess
import warnings
import zipfile

import pytest

from standbook.analysis.archive import container
from standbook.analysis.archive.container import SUMS, Entry, opened_zip, sums_of, unpack, write_zip
from standbook.daq.errors import DataError, RecordError

FILES = {"README.txt": b"what each file is\n", "runs/a/raw.bin": bytes(range(256)) * 3, "runs/a/größe.txt": b""}


def entries(files=FILES):
    return [Entry(name=name, source=content) for name, content in files.items()]


def written(place, files=FILES):
    write_zip(place, "a", entries(files))
    return place


def read(place, to):
    with opened_zip(place) as (folder, packed):
        unpack(packed, folder, to)
    return {path.relative_to(to).as_posix(): path.read_bytes() for path in to.rglob("*") if path.is_file()}


def refused(place, to):
    with pytest.raises(RecordError) as caught:
        read(place, to)
    assert not list(to.rglob("*"))
    assert str(caught.value).startswith(f"{place}: ")
    assert "\n" not in str(caught.value)
    return str(caught.value)


def test_what_was_written_comes_back_and_its_order_and_time_say_nothing(tmp_path):
    one = written(tmp_path / "one.zip")
    assert read(one, tmp_path / "to") == FILES
    other = tmp_path / "other.zip"
    for name, content in FILES.items():
        (tmp_path / "files" / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "files" / name).write_bytes(content)
    write_zip(other, "a", [Entry(name=name, source=tmp_path / "files" / name) for name in reversed(FILES)])
    assert one.read_bytes() == other.read_bytes()
    with zipfile.ZipFile(one) as packed:
        names = packed.namelist()
        assert names == sorted(names)
        assert {info.date_time for info in packed.infolist()} == {(1980, 1, 1, 0, 0, 0)}
        assert {info.external_attr >> 16 for info in packed.infolist()} == {0o100644}


def test_the_sums_are_those_of_sha256sum(tmp_path):
    with zipfile.ZipFile(written(tmp_path / "a.zip")) as packed:
        packed.extractall(tmp_path)
    done = subprocess.run(["sha256sum", "-c", SUMS], cwd=tmp_path / "a", capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count(": OK") == len(FILES)
    (tmp_path / "a" / "README.txt").write_bytes(b"what each file iz\n")
    again = subprocess.run(["sha256sum", "-c", SUMS], cwd=tmp_path / "a", capture_output=True, text=True, check=False)
    assert again.returncode == 1


@pytest.mark.parametrize("bits", [1, pytest.param(8, marks=pytest.mark.slow)])
def test_one_flipped_bit_anywhere_in_the_file_is_found(tmp_path, bits):
    """One bit of each byte, or all: headers, names, times, packed bytes, tables, comment, sums."""
    whole = written(tmp_path / "a.zip", {"b": b"0123456789", "c": b"the same thing, " * 8}).read_bytes()
    flipped, to = tmp_path / "f.zip", tmp_path / "to"
    to.mkdir()
    for place, bit in itertools.product(range(len(whole)), range(bits)):
        changed = bytearray(whole)
        changed[place] ^= 1 << (place + bit) % 8
        flipped.write_bytes(changed)
        with pytest.raises(RecordError):
            read(flipped, to)


def test_a_cut_zip_and_bytes_behind_its_end_are_found(tmp_path):
    whole = written(tmp_path / "a.zip").read_bytes()
    (tmp_path / "to").mkdir()
    for number, content in enumerate((whole[:-1], whole[:200], whole + b"x", b"x" + whole, whole[10:])):
        place = tmp_path / f"{number}.zip"
        place.write_bytes(content)
        refused(place, tmp_path / "to")


def resealed(place, change):
    """Write a zip by another hand: ``change`` may do to it what it wants, the frame is put right again."""
    with zipfile.ZipFile(place, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.comment = container.FRAME + b"0" * 64
        packed.writestr("a/README.txt", b"hello\n")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a doubled name
            change(packed)
    framed(place)
    return place


def framed(place):
    body = place.read_bytes()[:-64]
    place.write_bytes(body + hashlib.sha256(body).hexdigest().encode())


def link(packed):
    info = zipfile.ZipInfo("a/link")
    info.create_system, info.external_attr = 3, 0o120777 << 16
    packed.writestr(info, b"/etc/hostname")


HARMFUL = {
    "leads elsewhere": lambda z: z.writestr("a/../../b", b""),
    "is a name that leads": lambda z: z.writestr("a/b/", b""),
    "no archive of standbook's": lambda z: z.writestr("a/c\x07", b""),
    "is an absolute name": lambda z: z.writestr("/etc/a", b""),
    "absolute name; no archive": lambda z: z.writestr("C:/a", b""),
    "is a link": link,
    "stands twice": lambda z: z.writestr("a/README.txt", b"other\n"),
    "'a/readme.TXT' stands twice": lambda z: z.writestr("a/readme.TXT", b"other\n"),
    "packed by another method": lambda z: z.writestr("a/b", b"", zipfile.ZIP_BZIP2),
    "2 folders at the top": lambda z: z.writestr("b/b", b""),
    "no item named": lambda z: z.writestr("a/b", b""),
    "b is not in SHA256SUMS": lambda z: (z.writestr("a/b", b""), z.writestr(f"a/{SUMS}", f"{0:064}  README.txt\n")),
    "c is only in SHA256SUMS": lambda z: z.writestr(f"a/{SUMS}", f"{0:064}  README.txt\n{0:064}  c\n"),
}


@pytest.mark.parametrize("said", HARMFUL)
def test_what_no_archive_holds_is_refused_before_anything_is_unpacked(tmp_path, said):
    (tmp_path / "to").mkdir()
    assert said in refused(resealed(tmp_path / "a.zip", HARMFUL[said]), tmp_path / "to")
    assert not (tmp_path / "b").exists()


def test_a_changed_file_with_a_frame_put_right_is_found_by_its_sum(tmp_path):
    place = resealed(tmp_path / "a.zip", lambda z: z.writestr(f"a/{SUMS}", f"{0:064}  README.txt\n"))
    (tmp_path / "to").mkdir()
    with pytest.raises(RecordError, match=r"README\.txt has changed"):
        read(place, tmp_path / "to")


def test_an_encrypted_zip_is_refused(tmp_path):
    place = written(tmp_path / "a.zip")
    content = bytearray(place.read_bytes())
    at = content.index(b"PK\x01\x02")
    content[at + 8] |= 1
    place.write_bytes(content)
    framed(place)
    (tmp_path / "to").mkdir()
    assert "is encrypted" in refused(place, tmp_path / "to")


def test_a_zip_that_declares_more_than_any_record_is_refused(tmp_path):
    place = written(tmp_path / "a.zip")
    content = bytearray(place.read_bytes())
    at = content.index(b"PK\x01\x02")
    content[at + 24 : at + 28] = struct.pack("<I", 3 << 30)
    place.write_bytes(content)
    framed(place)
    (tmp_path / "to").mkdir()
    assert "no record packs like that" in refused(place, tmp_path / "to")


def test_a_bomb_of_many_entries_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(container, "MOST_ENTRIES", 3)
    (tmp_path / "to").mkdir()
    assert "4 files of" in refused(written(tmp_path / "a.zip"), tmp_path / "to")


def test_what_is_no_zip_is_said_to_be_none(tmp_path):
    (tmp_path / "to").mkdir()
    for content in (b"", b"time,thrust\n0,0\n"):
        (tmp_path / "a.zip").write_bytes(content)
        assert "not a zip, or damaged" in refused(tmp_path / "a.zip", tmp_path / "to")


@pytest.mark.parametrize("name", ["runs/a\\b", "runs/a\nb"])
def test_a_name_that_no_list_of_sums_takes_is_refused(name):
    with pytest.raises(DataError, match="cannot be archived"):
        sums_of([Entry(name=name, source=b"")])


def test_names_that_differ_by_capitals_alone_are_refused_here_and_when_read():
    with pytest.raises(DataError, match="differ by capitals alone"):
        sums_of([Entry(name="a/Notes.txt", source=b""), Entry(name="a/notes.txt", source=b"")])


def test_a_file_that_changes_while_it_is_archived_is_named(tmp_path, monkeypatch):
    (tmp_path / "log.txt").write_bytes(b"one\n")
    entry = Entry(name="log.txt", source=tmp_path / "log.txt")
    monkeypatch.setattr(Entry, "sha256", lambda _: "0" * 64)
    with pytest.raises(RecordError, match="changed while it was archived"):
        write_zip(tmp_path / "a.zip", "a", [entry])
