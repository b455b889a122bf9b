"""Files that are none: pipes that never answer, devices that never end, folders, files larger than anybody types."""

import os
import sys

import pytest

from standbook.daq.config.stand import read_stand
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.other_recorders.import_csv import _rows
from standbook.daq.regular_file import TYPED_BYTES, read_regular
from standbook.daq.run.samples_file import read_samples
from standbook.daq.storage.manifest import sha256_of

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="has no pipes with a path")


@pytest.fixture(params=["pipe", "device", "folder"])
def no_file(request, tmp_path):
    place = tmp_path / "stand.toml"
    if request.param == "pipe":
        os.mkfifo(place)
    elif request.param == "device":
        place.symlink_to("/dev/zero")
    else:
        place.mkdir()
    return place


def test_what_is_no_file_is_refused_and_not_waited_for(no_file):
    with pytest.raises(OSError, match="not a file"):
        read_regular(no_file)
    with pytest.raises(ConfigError, match=r"stand.toml: cannot be read: is a .* not a file"):
        read_stand(no_file)
    with pytest.raises(RecordError, match="not a file"):
        sha256_of(no_file)
    with pytest.raises(RecordError):
        read_samples(no_file)
    with pytest.raises((RecordError, DataError), match="not a file"):
        _rows(no_file, None)


def test_a_file_larger_than_anybody_types_is_refused(tmp_path):
    place = tmp_path / "stand.toml"
    with place.open("wb") as file:
        file.truncate(TYPED_BYTES + 1)
    with pytest.raises(ConfigError, match="cannot be read: holds more than 4 MiB"):
        read_stand(place)


@pytest.mark.parametrize("text", ["a = " + "[" * 900 + "]" * 900, "a = " + "{b=" * 900 + "1" + "}" * 900])
def test_tables_nested_too_deep_are_refused_in_one_sentence(tmp_path, text):
    place = tmp_path / "stand.toml"
    place.write_text(text)
    with pytest.raises(ConfigError) as refusal:
        read_stand(place)
    assert "nested too deep" in str(refusal.value) or "not valid TOML" in str(refusal.value)
