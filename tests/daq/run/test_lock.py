import datetime as dt
import json

import pytest

from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError, RecordError
from standbook.daq.run.lock import check_lock, lock_campaign, read_lock
from standbook.daq.storage.manifest import sha256_of

TODAY = dt.date(2031, 6, 14)
NOW = dt.datetime(2031, 6, 14, 9, 30, tzinfo=dt.timezone(dt.timedelta(hours=2)))
PREDICTION = {"kind": "static fire", "thrust": [1.0, 2.0]}


@pytest.fixture
def plan_path(tmp_path):
    return write_campaign(tmp_path, today=TODAY) / "plans" / "HF-02.toml"


def load(plan_path):
    return read_campaign(plan_path, today=TODAY)


def test_a_lock_holds_copies_hashes_and_utc_time(plan_path):
    campaign = load(plan_path)
    folder = lock_campaign(campaign, PREDICTION, now=NOW)
    lock = check_lock(campaign)
    assert folder == campaign.locked_folder == lock.folder
    assert lock.locked_at == NOW
    assert lock.locked_at_utc.startswith("2031-06-14T07:30:00")
    assert lock.plan_sha256 == sha256_of(plan_path) == sha256_of(folder / "plan.toml")
    assert json.loads((folder / "prediction.json").read_text()) == PREDICTION
    assert {"stand.toml", "calibrations/LC-1_r04.toml", "prediction.json"} <= set(lock.files)


def test_text_of_a_prediction_is_kept_to_the_byte_and_none_leaves_no_file(plan_path):
    campaign = load(plan_path)
    folder = lock_campaign(campaign, '{"a":1.50}\n', now=NOW)
    assert (folder / "prediction.json").read_text() == '{"a":1.50}\n'
    folder = lock_campaign(campaign, None, now=NOW, replace=True)
    assert not (folder / "prediction.json").exists()


def test_without_a_lock_there_is_none(plan_path):
    assert check_lock(load(plan_path)) is None


def test_a_second_lock_is_refused_and_on_demand_keeps_the_first(plan_path):
    campaign = load(plan_path)
    lock_campaign(campaign, PREDICTION, now=NOW)
    with pytest.raises(ConfigError, match=r"locked already.*HF-02\.1"):
        lock_campaign(campaign, PREDICTION, now=NOW)
    for _ in range(2):
        lock_campaign(campaign, {}, now=NOW, replace=True)
    older = campaign.locked_folder.with_name("HF-02.1")
    assert json.loads((older / "prediction.json").read_text()) == PREDICTION
    assert read_lock(older.with_name("HF-02.2")).number == "HF-02"
    assert json.loads((campaign.locked_folder / "prediction.json").read_text()) == {}


@pytest.mark.parametrize("name", ["plans/HF-02.toml", "stand.toml", "calibrations/LC-1_r04.toml"])
def test_any_file_changed_after_locking_is_named_with_what_to_do(plan_path, name):
    lock_campaign(load(plan_path), PREDICTION, now=NOW)
    path = plan_path.parents[1] / name
    path.write_text(path.read_text() + "# a word more\n")
    with pytest.raises(ConfigError) as caught:
        check_lock(load(plan_path))
    (problem,) = caught.value.problems
    assert f"{name}: changed after locking at 2031-06-14 07:30:00 UTC" in problem
    assert "lock the plan again before the run" in problem
    assert "--postdiction" in problem


def test_a_calibration_named_after_locking_is_not_in_the_lock(plan_path):
    lock_campaign(load(plan_path), PREDICTION, now=NOW)
    old = plan_path.parents[1] / "calibrations" / "LC-1_r04.toml"
    old.with_name("LC-1_r05.toml").write_text(old.read_text().replace('revision = "r04"', 'revision = "r05"'))
    plan_path.write_text(plan_path.read_text().replace("LC-1_r04", "LC-1_r05"))
    with pytest.raises(ConfigError) as caught:
        check_lock(load(plan_path))
    assert len(caught.value.problems) == 2
    assert "LC-1_r05.toml: not in the lock" in caught.value.problems[1]


def test_a_copy_changed_inside_the_lock_is_damage(plan_path):
    campaign = load(plan_path)
    folder = lock_campaign(campaign, PREDICTION, now=NOW)
    (folder / "prediction.json").write_text("{}")
    with pytest.raises(RecordError, match=r"prediction\.json inside the lock has changed"):
        check_lock(campaign)


@pytest.mark.parametrize(
    ("key", "value"),
    [("locked_at_utc", "2031-06-13T07:30:00.000+00:00"), ("number", "HF-09"), ("sha256", "0" * 64)],
)
def test_a_lock_whose_instant_or_number_was_changed_is_found_out(plan_path, key, value):
    campaign = load(plan_path)
    place = lock_campaign(campaign, PREDICTION, now=NOW) / "lock.json"
    place.write_text(json.dumps({**json.loads(place.read_text()), key: value}))
    with pytest.raises(RecordError, match="its instant or its hashes, has changed"):
        check_lock(campaign)


def test_a_lock_of_before_it_had_a_hash_of_its_own_is_read(plan_path):
    campaign = load(plan_path)
    place = lock_campaign(campaign, PREDICTION, now=NOW) / "lock.json"
    told = {key: value for key, value in json.loads(place.read_text()).items() if key != "sha256"}
    place.write_text(json.dumps({**told, "format": 1}))
    assert check_lock(campaign).locked_at == NOW


@pytest.mark.parametrize(
    "content",
    ["", "[]", "{}", '{"format":9,"number":"a","plan_sha256":"","locked_at_utc":"2031-01-01","files":{}}'],
)
def test_what_is_no_lock_is_said_so(plan_path, content):
    campaign = load(plan_path)
    folder = lock_campaign(campaign, PREDICTION, now=NOW)
    (folder / "lock.json").write_text(content)
    with pytest.raises(RecordError, match="not a readable lock"):
        check_lock(campaign)


def test_a_number_that_is_not_a_number_is_the_callers_bug_and_leaves_nothing(plan_path):
    campaign = load(plan_path)
    with pytest.raises(ValueError, match="JSON compliant"):
        lock_campaign(campaign, {"thrust": float("nan")}, now=NOW)
    assert not campaign.locked_folder.exists()


def test_a_campaign_that_cannot_be_written_is_one_sentence(plan_path):
    campaign = load(plan_path)
    campaign.locked_folder.parent.write_text("a file where the folder should be")
    with pytest.raises(RecordError, match="cannot lock"):
        lock_campaign(campaign, PREDICTION, now=NOW)
