"""Whole under its name and on the disk, or not there: also where the disk does not vouch for the name."""

import errno
import os
from pathlib import Path

import pytest

from standbook.daq.errors import RecordError
from standbook.daq.storage import atomic_write
from standbook.daq.storage.atomic_write import atomic_path, write_atomic
from tests.disk_not_awaited import TRUE


@pytest.fixture
def names_are_not_synced(monkeypatch):
    def refuse(_folder):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(atomic_write, "sync_folder", refuse)


@pytest.mark.usefixtures("names_are_not_synced")
def test_a_new_file_whose_name_is_not_on_the_disk_is_taken_back(tmp_path):
    with pytest.raises(RecordError, match=r"manifest\.json: cannot be written"):
        write_atomic(tmp_path / "manifest.json", b"{}")
    assert list(tmp_path.iterdir()) == []


def make_folder(place):
    with atomic_path(place) as beside:
        beside.mkdir()
        (beside / "plan.toml").write_text("a")


def test_a_new_folder_whose_name_is_not_on_the_disk_is_taken_back(tmp_path, monkeypatch):
    synced = atomic_write.sync_folder

    def refuse_the_parent(folder):
        if folder == tmp_path:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        synced(folder)

    monkeypatch.setattr(atomic_write, "sync_folder", refuse_the_parent)
    with pytest.raises(RecordError, match="disk full"):
        make_folder(tmp_path / "run")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.usefixtures("names_are_not_synced")
def test_a_file_that_replaces_an_older_one_is_old_or_new_and_whole(tmp_path):
    place = tmp_path / "end.json"
    place.write_bytes(b"old")
    with pytest.raises(RecordError):
        write_atomic(place, b"new")
    assert place.read_bytes() in (b"old", b"new")
    assert list(tmp_path.iterdir()) == [place]


def test_the_disk_is_waited_for_here():
    assert all(getattr(os, name) is true for name, true in TRUE.items())


def test_the_root_of_a_disk_is_no_file():
    with pytest.raises(RecordError, match="is a folder; give the name of a file in it"):
        write_atomic(Path("/"), b"x")
