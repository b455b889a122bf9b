"""Layouts saved on an earlier day: kept whole, refused when damaged, and enough for rows without a hello."""

import json

import numpy as np
import pytest

from standbook.daq.errors import ConfigError
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from standbook.daq.wire.saved_layouts import LAYOUTS, layouts_path, load_layouts, write_layouts
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts, starter

SAVED = "2031-06-13T10:00:00+00:00"


def test_what_was_saved_is_read_back_with_the_newest_of_each_layout(tmp_path):
    older, newer, other = fast_hello(boot=3), fast_hello(boot=4), fast_hello(boot=4, channels=3)
    path = write_layouts(tmp_path, "cradle-a", [older, newer, other], SAVED)
    assert path == tmp_path / LAYOUTS / "cradle-a.json"
    assert set(load_layouts(tmp_path, "cradle-a")) == {newer, other}
    assert json.loads(path.read_text(encoding="utf-8"))["saved_utc"] == SAVED
    assert [entry.name for entry in path.parent.iterdir()] == ["cradle-a.json"]


def test_a_device_without_a_file_has_none(tmp_path):
    assert load_layouts(tmp_path, "cradle-a") == ()


@pytest.mark.parametrize(("device", "hellos"), [("cradle-a", []), ("../cradle-a", [fast_hello()])])
def test_nothing_and_names_of_other_folders_are_a_callers_mistake(tmp_path, device, hellos):
    with pytest.raises(ValueError, match=r"no hello to save|cannot name a file"):
        write_layouts(tmp_path, device, hellos, SAVED)
    assert list(tmp_path.iterdir()) == []


def told(**changes):
    entry = json.loads(fast_hello().to_json())
    return {"format": 1, "device": "cradle-a", "saved_utc": SAVED, "hellos": [entry], **changes}


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"\xff{", "not readable JSON"),
        (b"[" * 100_000, "not readable JSON"),
        (b"[]", "is no layouts file of format 1"),
        (json.dumps(told(format=2)).encode(), "is no layouts file of format 1"),
        (json.dumps(told(device="cradle-b")).encode(), "is of device 'cradle-b', not of \"cradle-a\""),
        (json.dumps(told(hellos=[])).encode(), "holds no hello"),
        (json.dumps(told(hellos=[3])).encode(), "hello 1: hello is not a JSON object"),
        (json.dumps(told(hellos=[{**told()["hellos"][0], "layout": 7}])).encode(), "hello 1: .*layout says 7"),
        (json.dumps(told(hellos=[told()["hellos"][0], {"x": "\ud800"}])).encode(), "hello 2: "),
    ],
)
def test_a_damaged_file_is_refused_in_one_sentence_that_names_it(tmp_path, content, sentence):
    path = layouts_path(tmp_path, "cradle-a")
    path.parent.mkdir()
    path.write_bytes(content)
    with pytest.raises(ConfigError, match=sentence) as refused:
        load_layouts(tmp_path, "cradle-a")
    assert str(refused.value).startswith(f"{path}: ")
    assert "\n" not in str(refused.value)


def test_a_run_takes_the_saved_layouts_along_and_decodes_rows_whose_hello_never_came(tmp_path):
    campaign = starter(tmp_path)
    write_layouts(campaign.folder, "cradle-a", [fast_hello(boot=3)], SAVED)
    run = new_run(tmp_path)
    counts = plausible_counts(500)
    Player(run, fast_hello()).play(counts, hello=False, edges=[(100_000, 1)]).write()
    summary = seal(run)
    opened = open_run(run)
    rows = opened.stream("cradle-a", "fast")
    assert np.array_equal(np.column_stack(list(rows.counts.values())), counts)
    assert set(rows.boot.tolist()) == {17}  # of frames, not of the day the layout was saved
    assert f"{LAYOUTS}/cradle-a.json" in opened.manifest.files
    assert any("decoded by the saved layout" in line for line in summary.sentences())
    assert summary.is_whole
    assert summary.t_zero is not None


def test_a_layout_of_another_firmware_explains_no_row(tmp_path):
    campaign = starter(tmp_path)
    write_layouts(campaign.folder, "cradle-a", [fast_hello(channels=3)], SAVED)
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(200), hello=False, beats=False).write()
    device = seal(run).devices["cradle-a"]
    assert (device.undecoded_frames, device.streams) == (20, {})


def test_a_hello_of_the_day_outranks_the_saved_one(tmp_path):
    campaign = starter(tmp_path)
    write_layouts(campaign.folder, "cradle-a", [fast_hello(boot=3)], SAVED)
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    assert not any("saved layout" in line for line in seal(run).sentences())


def test_a_damaged_saved_layout_is_found_before_the_run_is_made(tmp_path):
    campaign = starter(tmp_path)
    path = layouts_path(campaign.folder, "cradle-a")
    path.parent.mkdir()
    path.write_text("{}")
    with pytest.raises(ConfigError, match=r"layouts/cradle-a\.json: is no layouts file"):
        new_run(tmp_path)
    assert not (campaign.folder / "runs").exists() or list((campaign.folder / "runs").iterdir()) == []
