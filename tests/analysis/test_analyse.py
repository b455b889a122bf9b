"""From a sealed run folder to a revision in it: the same numbers as in memory, later facts, later calibrations."""

import datetime as dt
import json

import pytest

from standbook.analysis.analyse import analyse_run
from standbook.analysis.kinds.registry import predict
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.results.curves import read_curves
from standbook.analysis.results.json_codec import from_json
from standbook.analysis.results.saved_results import CURVES_FILE, RESULTS_FILE
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import rehearse
from standbook.daq.errors import ConfigError
from standbook.daq.run.additions import add
from standbook.daq.run.lock import check_lock, lock_campaign
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import verify
from standbook.daq.wire.hello import Hello, WireLine
from tests.recorded_run import NOW, Player, new_run, starter
from tests.rehearsed import dataset_of

SOFTWARE = "standbook test"


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("campaign")


@pytest.fixture(scope="module")
def campaign(folder):
    return starter(folder)


@pytest.fixture(scope="module")
def rehearsal(campaign):
    return rehearse(campaign, Draw(3, Errors.sensors_only()))


@pytest.fixture(scope="module")
def run(folder, campaign, rehearsal):
    """A sealed firing, its prediction locked an hour before."""
    prediction = predict(campaign.plan, campaign.stand, samples=60)
    lock_campaign(campaign, prediction.to_json(), now=NOW - dt.timedelta(hours=1))
    run = new_run(folder, lock=check_lock(campaign))
    table = rehearsal.table
    (stream,) = table.streams
    hello = Hello(
        device="cradle-a",
        serial="0007",
        firmware="1.0.0",
        boot=17,
        tick_hz=table.tick_hz,
        stream=stream.number,
        streams=1,
        name=stream.name,
        interval_ticks=stream.interval_ticks,
        channels=stream.channels,
        lines=(WireLine(0, "fire"),),
        time_scale=1.0,
    )
    edges = [(table.start_ticks + e.ticks, e.level) for e in table.edges if table.lines[e.line].name == "fire"]
    sequence = table.start_ticks // stream.interval_ticks
    Player(run, hello).play(
        stream.counts.astype("int64"), sequence=sequence, ticks=table.start_ticks, edges=edges
    ).write()
    seal(run)
    return run


@pytest.fixture(scope="module")
def first(run):
    return analyse_run(run, software=SOFTWARE)


@pytest.mark.slow
def test_a_run_folder_gives_what_its_table_gives_in_memory(campaign, rehearsal, first):
    _, found = first
    there = analyse_static_fire(dataset_of(campaign, rehearsal, weighed=False)).results
    # one table, two paths: only the clock fit of the host stands between them, a few ppm
    assert found.impulse.value == pytest.approx(there.impulse.value, rel=1e-4)
    assert found.burn_time.value == pytest.approx(there.burn_time.value, rel=1e-4)
    assert found.t_zero.source == "cradle-a fire rising"
    assert found.record["cradle-a/fast"].lost_rows == 0
    assert found.prediction == "locked"
    assert len(found.plan_sha256) == 64


def test_the_revision_holds_results_and_curves_under_its_own_seal(run, first):
    place, found = first
    assert place == run / "analysis" / "rev-A"
    assert from_json((place / RESULTS_FILE).read_text(encoding="utf-8")) == found
    assert json.loads((place / RESULTS_FILE).read_text(encoding="utf-8"))["software"] == SOFTWARE
    assert {"thrust", "tank pressure/fuel", "cumulative impulse"} <= read_curves(place / CURVES_FILE).keys()
    assert {RESULTS_FILE, CURVES_FILE} <= verify(place).files.keys()


@pytest.mark.slow
def test_weighings_added_later_enter_a_new_revision_and_leave_the_first(run, rehearsal, first, tmp_path):
    before = (first[0] / RESULTS_FILE).read_bytes()
    rows = "".join(
        f'[[weighing]]\ntank = "{tank}"\nresidual = "{typed["residual"]}"\n'
        for tank, typed in rehearsal.weighings.items()
    )
    file = tmp_path / "weighings.toml"
    file.write_text(f'by = "DAQ"\n{rows}', encoding="utf-8")
    add(run, [file])
    place, found = analyse_run(run, software=SOFTWARE)
    assert (place.name, found.revision) == ("rev-B", "B")
    assert (first[0] / RESULTS_FILE).read_bytes() == before
    assert "not-weighed" in {f.code for f in first[1].findings}
    assert "not-weighed" not in {f.code for f in found.findings}
    assert found.tanks["oxidiser"].expelled_mass.u < first[1].tanks["oxidiser"].expelled_mass.u


@pytest.mark.slow
def test_a_later_calibration_recomputes_from_counts(run, campaign, first, tmp_path):
    old = (campaign.folder / "calibrations" / "LC-1_r04.toml").read_text(encoding="utf-8")
    new = tmp_path / "LC-1_r05.toml"
    new.write_text(
        old.replace('revision = "r04"', 'revision = "r05"').replace(
            'factor = "1.000 +/- 0.003"', 'factor = "1.010 +/- 0.003"'
        ),
        encoding="utf-8",
    )
    _, found = analyse_run(run, calibrations=[new], software=SOFTWARE)
    assert "LC-1_r05, instead of LC-1_r04" in next(f.text for f in found.findings if f.code == "later-calibration")
    # the weighings added in between shift the shape of the expelled mass a little
    assert found.impulse.value == pytest.approx(1.010 * first[1].impulse.value, rel=1e-5)


def test_a_calibration_of_no_input_and_one_given_twice_are_refused(run, campaign, tmp_path):
    text = (campaign.folder / "calibrations" / "LC-1_r04.toml").read_text(encoding="utf-8")
    stranger = tmp_path / "LC-9_r01.toml"
    stranger.write_text(text.replace('tag = "LC-1"', 'tag = "LC-9"').replace('"r04"', '"r01"'), encoding="utf-8")
    with pytest.raises(ConfigError, match="no input of stand"):
        analyse_run(run, calibrations=[stranger])
    same = campaign.folder / "calibrations" / "LC-1_r04.toml"
    with pytest.raises(ConfigError, match="second calibration"):
        analyse_run(run, calibrations=[same, same])
