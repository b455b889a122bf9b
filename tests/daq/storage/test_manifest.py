import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standbook.daq.errors import RecordError
from standbook.daq.storage.atomic_write import atomic_path, write_atomic
from standbook.daq.storage.manifest import MANIFEST, covered, read_manifest, sha256_of, verify, write_manifest


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "run"
    (place / "raw").mkdir(parents=True)
    (place / "plan.toml").write_text("number = 1\n")
    (place / "raw" / "a_001.arrows").write_bytes(bytes(range(256)))
    (place / "additions" / "001").mkdir(parents=True)
    (place / "additions" / "001" / "later.toml").write_text("late\n")
    return place


def seal(folder):
    return write_manifest(folder, leave_out=("additions",))


def test_hash_is_sha256_of_the_published_example(tmp_path):
    (tmp_path / "abc").write_bytes(b"abc")
    # [FIPS180] appendix B.1 (from memory; the digest of "abc" is printed in it).
    assert sha256_of(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"


def test_an_untouched_folder_verifies_and_later_folders_do_not_matter(folder):
    sealed = seal(folder)
    assert sorted(sealed.files) == ["plan.toml", "raw/a_001.arrows"]
    (folder / "additions" / "002").mkdir()
    (folder / "additions" / "002" / "more.toml").write_text("more\n")
    assert verify(folder, leave_out=("additions",)) == sealed


def test_hidden_files_of_the_system_are_no_part_of_the_record(folder):
    seal(folder)
    (folder / ".DS_Store").write_bytes(b"made by a file browser")
    assert ".DS_Store" not in covered(folder)
    verify(folder, leave_out=("additions",))


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_one_flipped_bit_in_any_file_or_in_the_manifest_is_seen(folder, data):
    if not (folder / MANIFEST).exists():
        seal(folder)
    path = data.draw(st.sampled_from([folder / "plan.toml", folder / "raw" / "a_001.arrows", folder / MANIFEST]))
    before = path.read_bytes()
    bit = data.draw(st.integers(0, 8 * len(before) - 1))
    damaged = bytearray(before)
    damaged[bit // 8] ^= 1 << bit % 8
    path.write_bytes(damaged)
    try:
        with pytest.raises(RecordError, match=path.name):
            verify(folder, leave_out=("additions",))
    finally:
        path.write_bytes(before)


def test_missing_changed_and_new_files_are_named_together(folder):
    seal(folder)
    (folder / "plan.toml").unlink()
    (folder / "raw" / "a_001.arrows").write_bytes(b"other")
    (folder / "raw" / "new.bin").write_bytes(b"new")
    with pytest.raises(RecordError) as caught:
        verify(folder, leave_out=("additions",))
    assert "plan.toml is missing, raw/a_001.arrows has changed, raw/new.bin was not there" in str(caught.value)


def test_a_long_list_of_faults_is_cut_and_counted(folder):
    seal(folder)
    for number in range(8):
        (folder / f"extra-{number}").write_bytes(b"")
    with pytest.raises(RecordError, match=r"extra-4 was not there and 3 more"):
        verify(folder, leave_out=("additions",))


def test_a_sealed_folder_is_not_sealed_again(folder):
    seal(folder)
    with pytest.raises(RecordError, match="already sealed"):
        seal(folder)


def test_no_manifest_means_not_sealed_yet(folder):
    with pytest.raises(RecordError, match="not sealed yet"):
        read_manifest(folder)


@pytest.mark.parametrize("content", [b"", b"[]", b"\xff", b"{}", b'{"format":1,"files":{},"parents":{}}'])
def test_what_is_no_manifest_is_called_damaged(folder, content):
    (folder / MANIFEST).write_bytes(content)
    with pytest.raises(RecordError, match="damaged"):
        read_manifest(folder)


def test_a_child_notices_that_its_parent_changed_or_went(folder):
    parent = folder / MANIFEST
    seal(folder)
    child = folder / "additions" / "001"
    write_manifest(child, parents=[parent])
    assert verify(child).parents == {"../../manifest.json": sha256_of(parent)}
    kept = parent.read_bytes()
    parent.write_bytes(kept + b" ")
    with pytest.raises(RecordError, match=r"\.\./\.\./manifest\.json, which it builds on, has changed"):
        verify(child)
    parent.unlink()
    with pytest.raises(RecordError, match="which it builds on, is missing"):
        verify(child)


def test_files_a_person_can_read_with_standard_tools(folder):
    seal(folder)
    told = json.loads((folder / MANIFEST).read_text())
    assert told["files"]["plan.toml"] == sha256_of(folder / "plan.toml")


def test_a_missing_file_cannot_be_hashed(tmp_path):
    with pytest.raises(RecordError, match="cannot be read"):
        sha256_of(tmp_path / "none")


def test_nothing_is_left_behind_when_building_fails(tmp_path):
    def build():
        with atomic_path(tmp_path / "whole") as beside:
            beside.mkdir()
            (beside / "half").write_bytes(b"half")
            raise KeyError("half way")

    with pytest.raises(KeyError, match="half way"):
        build()
    assert list(tmp_path.iterdir()) == []


def test_a_disk_that_refuses_is_one_sentence(tmp_path):
    with (
        pytest.raises(RecordError, match=r"cannot be written: disk full; free some space"),
        atomic_path(tmp_path / "x"),
    ):
        raise OSError(28, "No space left on device")
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_replaced_whole(tmp_path):
    write_atomic(tmp_path / "a", b"one")
    write_atomic(tmp_path / "a", b"two")
    assert (tmp_path / "a").read_bytes() == b"two"
    assert len(list(tmp_path.iterdir())) == 1
