import datetime as dt
import json
import os
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standbook.daq.config.calibration import read_calibration
from standbook.daq.errors import ConfigError, RecordError
from standbook.daq.run.additions import add
from standbook.daq.run.lock import check_lock, lock_campaign
from standbook.daq.run.new_run import create_run, required_space
from standbook.daq.run.revision import next_revision, revision_folder, revisions_of, write_revision
from standbook.daq.run.run_folder import open_run, seal_run
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import sha256_of, verify
from tests.recorded_run import NOW, Player, fast_hello, new_run, plausible_counts, plenty, starter

BEFORE = NOW - dt.timedelta(hours=1)


@pytest.fixture
def sealed(tmp_path):
    campaign = starter(tmp_path)
    lock_campaign(campaign, {"kind": "static fire"}, now=BEFORE)
    run = new_run(tmp_path, lock=check_lock(campaign))
    Player(run, fast_hello()).play(plausible_counts(1000), edges=[(500_000, 1)]).write()
    (run / "marks.jsonl").write_text('{"key": "P"}\n')
    seal(run)
    return run


def test_a_record_that_is_no_text_is_refused_though_its_hash_is_right(sealed):
    (sealed / "record.json").write_bytes(b"\xff\xfe\x80")
    (sealed / "manifest.json").unlink()
    seal_run(sealed)
    with pytest.raises(RecordError, match=r"record\.json: cannot be read"):
        open_run(sealed)


def test_a_run_opens_with_all_that_it_is_judged_by(sealed):
    run = open_run(sealed)
    assert (run.info.number, run.info.kind, run.info.source) == ("HF-02", "static fire", "recorded")
    assert not run.info.rehearsal
    assert run.plan.test.number == "HF-02"
    assert run.stand.name == "quarry-cradle"
    assert {"LC-1", "PT-11", "VS-1"} <= set(run.calibrations)
    assert run.prediction == {"kind": "static fire"}
    assert run.prediction_status == "locked"
    assert run.plan_sha256 == sha256_of(sealed / "plan.toml")
    assert run.streams() == (("cradle-a", "fast"),)
    assert run.record.t_zero is not None
    rows = run.stream("cradle-a", "fast")
    assert (rows.rails["PT-11"].minimum, rows.rails["PT-11"].maximum) == (-32768, 32767)
    assert json.loads((sealed / "run.json").read_text())["lock"]["locked_at_utc"] == "2031-06-14T08:00:00.000+00:00"


def test_a_run_takes_its_files_from_the_lock_not_from_the_campaign(tmp_path):
    campaign = starter(tmp_path)
    lock_campaign(campaign, {}, now=BEFORE)
    lock = check_lock(campaign)
    original = campaign.plan_path.read_bytes()
    campaign.plan_path.write_bytes(original + b"# changed between lock and run\n")
    run = new_run(tmp_path, lock=lock)
    assert (run / "plan.toml").read_bytes() == original
    assert (run / "lock.json").is_file()


def test_without_a_lock_or_with_a_late_one_it_is_a_postdiction_and_a_scrub_keeps_its_lock(tmp_path):
    campaign = starter(tmp_path)
    first = new_run(tmp_path)
    lock_campaign(campaign, {}, now=NOW + dt.timedelta(hours=1))
    late = check_lock(campaign)
    second = new_run(tmp_path, lock=late, now=NOW + dt.timedelta(days=1))
    third = new_run(tmp_path, lock=late, now=NOW - dt.timedelta(days=3))
    lock_campaign(campaign, {}, now=BEFORE, replace=True)
    scrub = new_run(tmp_path, lock=check_lock(campaign), now=NOW + dt.timedelta(days=2))
    found = {}
    for run, edges in ((first, [(500_000, 1)]), (second, [(500_000, 1)]), (third, []), (scrub, [])):
        Player(run, fast_hello()).play(plausible_counts(1000), edges=edges).write()
        seal(run)
        found[run] = open_run(run).prediction_status
    assert list(found.values()) == ["postdiction", "postdiction", "postdiction", "locked"]
    assert open_run(scrub).record.t_zero is None


@pytest.mark.parametrize(("locked", "status"), [(BEFORE, "locked"), (NOW + dt.timedelta(hours=1), "postdiction")])
def test_a_water_flow_without_edge_keeps_a_lock_from_before_the_run(tmp_path, locked, status):
    campaign = starter(tmp_path, "WF-03")
    plan = campaign.plan_path
    lines = [line for line in plan.read_text().splitlines() if not line.startswith("t_zero")]
    lines.insert(lines.index("[test]") + 1, 't_zero = "detected opening"')
    plan.write_text("\n".join(lines) + "\n")
    campaign = starter(tmp_path, "WF-03")
    lock_campaign(campaign, {}, now=locked)
    run = new_run(tmp_path, number="WF-03", lock=check_lock(campaign))
    Player(run, fast_hello()).play(plausible_counts(500)).write()
    summary = seal(run)
    assert summary.t_zero is None
    assert summary.t_zero_missing == "the plan leaves it to the analysis to detect the opening"
    assert open_run(run).prediction_status == status


def test_an_existing_run_folder_is_refused(tmp_path):
    new_run(tmp_path)
    sentence = r"2031-06-14_HF-02: run folder exists; a run is never recorded over.*not sealed yet: standbook recover /"
    with pytest.raises(RecordError, match=sentence):
        new_run(tmp_path)


def test_a_plan_is_rehearsed_as_often_as_one_likes(tmp_path):
    names = [new_run(tmp_path, rehearsal=True).name for _ in range(3)]
    assert names == [f"2031-06-14_HF-02_rehearsal{number}" for number in ("", "_2", "_3")]


def test_a_rehearsal_in_the_morning_leaves_the_name_to_the_firing(tmp_path):
    assert new_run(tmp_path, rehearsal=True).name == "2031-06-14_HF-02_rehearsal"
    assert new_run(tmp_path).name == "2031-06-14_HF-02"


def test_a_disk_too_full_for_the_planned_time_is_refused_before_anything_is_made(tmp_path):
    campaign = starter(tmp_path)
    needed = required_space(campaign.plan, campaign.stand)
    # One port of 1 Mbaud is 100 kB/s at ten bits a byte; the plan's time and factor say for how long.
    recording = campaign.plan.recording
    assert needed == 100_000 * recording.planned_duration.value * recording.free_space_factor
    with pytest.raises(RecordError, match=r"disk full: .* GB free, .* GB needed"):
        create_run(campaign, None, rehearsal=False, now=NOW, software="x", free=lambda _: needed - 1)
    assert not list((campaign.folder / "runs").iterdir())


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path):
    campaign = starter(tmp_path)
    (campaign.folder / "runs").write_text("a file")
    with pytest.raises(RecordError, match="cannot make the run folder"):
        create_run(campaign, None, rehearsal=False, now=NOW, software="x", free=plenty)


def test_what_is_no_run_or_not_sealed_is_said_so(tmp_path):
    with pytest.raises(RecordError, match=r"no run\.json; give a run folder"):
        open_run(tmp_path)
    with pytest.raises(RecordError, match=r"no run\.json; give a run folder"):
        seal(tmp_path)
    with pytest.raises(RecordError, match="not sealed yet"):
        open_run(new_run(tmp_path))


def test_a_damaged_run_file_is_one_sentence(tmp_path):
    run = new_run(tmp_path)
    (run / "run.json").write_text("{}")
    with pytest.raises(RecordError, match=r"run\.json: not readable"):
        seal(run)


KINDS = (
    "run.json",
    "plan.toml",
    "stand.toml",
    "calibrations/LC-1_r04.toml",
    "prediction.json",
    "lock.json",
    "record.json",
    "marks.jsonl",
    "manifest.json",
    "raw/cradle-a_001.arrows",
    "samples/cradle-a_fast.parquet",
)


@settings(deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.sampled_from(KINDS), where=st.floats(0.0, 1.0, exclude_max=True), bit=st.integers(0, 7))
def test_one_flipped_bit_in_any_kind_of_file_is_detected(sealed, name, where, bit):
    path = sealed / name
    before = path.read_bytes()
    damaged = bytearray(before)
    damaged[int(where * len(before))] ^= 1 << bit
    path.write_bytes(damaged)
    try:
        with pytest.raises(RecordError, match=path.name):
            open_run(sealed)
    finally:
        path.write_bytes(before)


def test_damage_to_the_record_that_nobody_hashed_is_still_one_sentence(sealed):
    (sealed / "record.json").write_text('{"format": 1}')
    with pytest.raises(RecordError, match=r"record\.json: not a readable record"):
        open_run(sealed, verify=False)
    record = '{"format": 9, "devices": {}, "t_zero": null}'
    (sealed / "record.json").write_text(record)
    with pytest.raises(RecordError, match="format 9 is not 1"):
        open_run(sealed, verify=False)


def test_a_later_calibration_is_taken_as_it_is_where_devices_send_counts(sealed):
    run = open_run(sealed)
    calibration = read_calibration(sealed / "calibrations" / "PT-11_r02.toml")
    assert run.for_counts(calibration) is calibration


# --- additions -------------------------------------------------------------------------------------------


def weighings(tmp_path, text):
    path = tmp_path / "weighings.toml"
    path.write_text(text)
    return path


RESIDUAL = 'by = "DAQ"\n[[weighing]]\ntank = "oxidiser"\nresidual = "0.98 +/- 0.03 kg"\n'


def test_weighings_come_later_and_touch_nothing_sealed(sealed, tmp_path):
    before = (sealed / "manifest.json").read_bytes()
    place = add(sealed, [weighings(tmp_path, RESIDUAL)])
    assert place == sealed / "additions" / "001"
    assert (sealed / "manifest.json").read_bytes() == before
    run = open_run(sealed)
    weighed = run.weighings["oxidiser"]
    assert (weighed.residual.value, weighed.residual.u, weighed.caught) == (0.98, 0.03, None)
    assert weighed.source == "additions/001, by DAQ"


def test_a_start_pressure_that_was_read_comes_later_like_a_weighing(sealed, tmp_path):
    read = RESIDUAL + 'start_pressure = "29.0 +/- 0.2 bar(g)"\n'
    add(sealed, [weighings(tmp_path, read)])
    run = open_run(sealed)
    pressure = run.weighings["oxidiser"].start_pressure
    assert (pressure.value, pressure.u, pressure.reference) == (pytest.approx(29.0e5), pytest.approx(0.2e5), "gauge")


def test_a_later_weighing_replaces_an_earlier_and_other_facts_stay(sealed, tmp_path):
    add(sealed, [weighings(tmp_path, RESIDUAL)])
    note = tmp_path / "photo.txt"
    note.write_text("throat after the run")
    add(sealed, [note])
    fuel = '[[weighing]]\ntank = "fuel"\nexpelled = "6.8 +/- 0.02 kg"\n'
    later = RESIDUAL.replace("0.98 +/- 0.03", "0.95 +/- 0.01") + fuel
    assert add(sealed, [weighings(tmp_path, later)]).name == "003"
    found = open_run(sealed).weighings
    assert found["oxidiser"].residual.value == 0.95
    assert found["fuel"].expelled.value == 6.8


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (RESIDUAL.replace("oxidiser", "water"), "unknown tank water; the plan has fuel, oxidiser"),
        (RESIDUAL.replace("0.98 +/- 0.03 kg", "0.98 kg"), "has no uncertainty; write what the scale is good for"),
        (RESIDUAL.replace("0.98 +/- 0.03 kg", "20 +/- 1 kg"), "residual 20 .* kg is more than the load"),
        (RESIDUAL.replace("kg", "litre"), "unknown unit"),
        (RESIDUAL.replace('residual = "0.98 +/- 0.03 kg"', ""), "give caught, residual or expelled"),
        (RESIDUAL + RESIDUAL.partition("\n")[2], "tank oxidiser is weighed twice"),
        ("by = 1\n", "by"),
    ],
)
def test_a_wrong_weighing_is_refused_and_nothing_is_added(sealed, tmp_path, text, sentence):
    with pytest.raises(ConfigError, match=sentence):
        add(sealed, [weighings(tmp_path, text)])
    assert not (sealed / "additions").exists()


def test_what_cannot_be_added_is_refused(sealed, tmp_path):
    with pytest.raises(ConfigError, match="no such file"):
        add(sealed, [tmp_path / "none"])
    with pytest.raises(ConfigError, match="an addition holds files of its own"):
        add(sealed, [])
    path = weighings(tmp_path, RESIDUAL)
    with pytest.raises(ConfigError, match=r"weighings\.toml: two files of this name"):
        add(sealed, [path, path])
    with pytest.raises(RecordError, match="not sealed yet"):
        add(new_run(tmp_path, now=NOW + dt.timedelta(days=3)), [path])


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="the system has no named pipes")
def test_what_is_no_file_is_no_addition_and_is_called_what_it_is(sealed, tmp_path):
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "photos").mkdir()
    told = [tmp_path / "pipe", tmp_path / "photos", Path(os.devnull), tmp_path / "gone.txt"]
    with pytest.raises(ConfigError) as refusal:
        add(sealed, told)
    assert str(refusal.value).splitlines() == [
        f"{told[0]}: is a pipe, socket or device, not a file",
        f"{told[1]}: is a folder, not a file",
        f"{told[2]}: is a pipe, socket or device, not a file",
        f"{told[3]}: no such file",
    ]
    assert not (sealed / "additions").exists()


def test_an_addition_that_cannot_be_written_is_one_sentence(sealed, tmp_path):
    (sealed / "additions").write_text("a file")
    with pytest.raises(RecordError, match="cannot be added"):
        add(sealed, [weighings(tmp_path, RESIDUAL)])


def test_a_changed_or_missing_addition_is_noticed(sealed, tmp_path):
    path = weighings(tmp_path, RESIDUAL)
    add(sealed, [path])
    second = add(sealed, [path])
    third = add(sealed, [path])
    assert "../001/manifest.json" in verify(second).parents
    changed = second / "weighings.toml"
    kept = changed.read_text()
    changed.write_text(kept.replace("0.98", "0.89"))
    with pytest.raises(RecordError, match=r"002: does not match its manifest: weighings\.toml has changed"):
        open_run(sealed)
    changed.unlink()
    (second / "manifest.json").unlink()
    second.rmdir()
    with pytest.raises(RecordError, match="addition 002 is missing"):
        open_run(sealed)
    assert third.is_dir()


# --- revisions -------------------------------------------------------------------------------------------


def test_revisions_are_lettered_kept_and_name_what_they_build_on(sealed, tmp_path):
    assert next_revision(sealed) == "A"
    write_revision(sealed, "A", lambda folder: (folder / "results.json").write_text("{}"))
    add(sealed, [weighings(tmp_path, RESIDUAL)])
    assert next_revision(sealed) == "B"
    place = write_revision(sealed, "B", lambda folder: (folder / "results.json").write_text("{ }"))
    assert place == revision_folder(sealed, "B")
    assert set(verify(revision_folder(sealed, "A")).parents) == {"../../manifest.json"}
    assert set(verify(place).parents) == {"../../manifest.json", "../../additions/001/manifest.json"}
    with pytest.raises(RecordError, match="a revision is never written over"):
        write_revision(sealed, "B", lambda folder: None)
    assert revisions_of(sealed) == ["A", "B"]
    open_run(sealed)


def test_after_z_comes_aa(sealed):
    for last, expected in (("Z", "AA"), ("AZ", "BA"), ("ZZ", "AAA")):
        revision_folder(sealed, last).mkdir(parents=True, exist_ok=True)
        assert next_revision(sealed) == expected


def test_a_revision_that_fails_leaves_nothing(sealed):
    def build(folder):
        (folder / "half").write_text("half")
        raise KeyError("half way")

    with pytest.raises(KeyError):
        write_revision(sealed, "A", build)
    assert list((sealed / "analysis").iterdir()) == []


def test_counts_of_a_stream_are_whole_numbers_of_64_bits(sealed):
    rows = open_run(sealed).stream("cradle-a", "fast")
    assert all(values.dtype == np.int64 for values in rows.counts.values())
