"""Each command does its part of the job, from a new campaign to the report of a recorded rehearsal."""

import contextlib
import io
import json
import re
import shutil
import webbrowser

import pytest
import typer

from standbook.cli.commands import COMMANDS as KNOWN
from standbook.cli.commands import application
from standbook.cli.main import run
from standbook.daq.config.campaign import read_campaign
from standbook.daq.run.record_summary import RecordSummary
from standbook.daq.run.run_folder import check_run
from standbook.daq.storage.manifest import verify
from tests.campaign_fixture import edit
from tests.cli.made_run import make_run, small_campaign, today

pytestmark = pytest.mark.xdist_group("real_time")

COMMANDS = sorted(KNOWN)
ALL = [
    "add",
    "analyse",
    "archive",
    "bench",
    "calibrate",
    "campaign",
    "carry",
    "check",
    "compare",
    "demo",
    "export",
    "fill",
    "firmware",
    "guide",
    "hold",
    "import",
    "load",
    "lock",
    "new",
    "next-load",
    "ports",
    "predict",
    "pull",
    "quick",
    "ready",
    "record",
    "recover",
    "rehearse",
    "report",
    "runs",
    "tap",
    "verify",
    "watch",
]
# What one look at a page may not fetch: anything by name of a host, and any picture or script beside the file.
FETCHED = re.compile(r"""(?:src|href)\s*=\s*["'](?!#|data:)|url\((?!["']?(?:#|data:))|https?://(?!www\.w3\.org/)""")


def told(capsys, *arguments, code=0):
    """Run a command and return what it printed."""
    capsys.readouterr()
    assert run([str(argument) for argument in arguments]) == code
    return capsys.readouterr().out


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    return make_run(tmp_path_factory.mktemp("made"), "HF-02", time_scale=20)


@pytest.fixture
def sealed(made, tmp_path):
    """A copy of the recorded run; changes stay in the test."""
    copy = tmp_path / "teasel-2"
    shutil.copytree(made.campaign, copy)
    return copy / "runs" / made.folder.name


@pytest.fixture(scope="module")
def analysed(made, tmp_path_factory):
    """The recorded run, analysed twice: bare, printed as JSON, then with a later calibration that reads 1 % more."""
    copy = tmp_path_factory.mktemp("analysed") / "teasel-2"
    shutil.copytree(made.campaign, copy)
    folder = copy / "runs" / made.folder.name
    text = (copy / "calibrations/LC-1_r04.toml").read_text(encoding="utf-8")
    factor = 'factor = "1.000 +/- 0.003"'
    assert factor in text
    later = copy / "calibrations/LC-1_r05.toml"
    text = text.replace('revision = "r04"', 'revision = "r05"').replace(factor, 'factor = "1.010 +/- 0.003"')
    later.write_text(text, encoding="utf-8")
    with contextlib.redirect_stdout(io.StringIO()) as said:
        codes = [run(["analyse", str(folder), "--json"])]
    codes.append(run(["analyse", str(folder), "--calibration", str(later)]))
    later.unlink()  # what a revision was made with must be in it
    return folder, codes, json.loads(said.getvalue())


def results(folder, revision):
    return json.loads((folder / "analysis" / f"rev-{revision}" / "results.json").read_text(encoding="utf-8"))


# --- help -----------------------------------------------------------------------------------------------------


def test_these_are_the_commands():
    assert COMMANDS == ALL


@pytest.mark.parametrize("command", ALL)
def test_every_command_has_help_with_one_worked_example(capsys, command):
    text = told(capsys, command, "--help")
    assert text.count("Example:") == 1
    assert f"Example: standbook {command}" in " ".join(text.split())


def test_every_worked_example_is_accepted_by_the_commands_own_arguments():
    group = typer.main.get_command(application(*KNOWN))
    for name, command in group.commands.items():
        words = " ".join(command.help.split("Example: standbook ")[1].split()).split()
        assert words[0] == name
        command.make_context(name, words[1:], resilient_parsing=False)


def test_without_arguments_the_help_is_shown_as_a_usage_error(capsys):
    assert run([]) == 2
    shown = "".join(capsys.readouterr())
    assert "relief valves" in shown
    assert "analyse" in shown


# --- before the run -------------------------------------------------------------------------------------------


def test_new_writes_a_campaign_whose_plans_are_right_and_predicted(tmp_path, capsys):
    campaign = tmp_path / "spring" / "my-engine"
    said = told(capsys, "new", campaign)
    assert f"standbook predict {campaign}/plans/WF-03.toml" in said
    for plan in ("HF-02", "WF-03", "WF-04"):
        assert read_campaign(campaign / f"plans/{plan}.toml", today=today()).plan.test.number == plan
    said = told(capsys, "predict", campaign / "plans/WF-03.toml")
    assert "Expelled 8.07 kg" in said
    assert "Next: standbook lock" in said


def test_new_says_why_it_cannot_write(tmp_path, capsys):
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    assert run(["new", str(tmp_path / "file" / "teasel-2")]) == 6
    assert "cannot be made" in capsys.readouterr().err


def test_a_prediction_as_json_is_the_one_that_lock_keeps(tmp_path, capsys):
    plan = small_campaign(tmp_path) / "plans/WF-03.toml"
    predicted = json.loads(told(capsys, "predict", plan, "--json"))
    told(capsys, "lock", plan)
    assert json.loads((plan.parents[1] / "locked/WF-03/prediction.json").read_text(encoding="utf-8")) == predicted


def test_a_second_lock_is_refused_unless_asked_for_and_keeps_the_older_one(tmp_path, capsys):
    plan = small_campaign(tmp_path) / "plans/WF-03.toml"
    locked = plan.parents[1] / "locked"
    told(capsys, "lock", plan)
    first = (locked / "WF-03/lock.json").read_bytes()
    edit(plan, '"9.34 +/- 0.02 kg"', '"9.30 +/- 0.02 kg"')
    assert run(["lock", str(plan)]) == 3
    assert "standbook lock --again" in capsys.readouterr().err
    assert (locked / "WF-03/lock.json").read_bytes() == first
    told(capsys, "lock", plan, "--again")
    assert (locked / "WF-03.1/lock.json").read_bytes() == first
    assert "9.30 +/- 0.02 kg" in (locked / "WF-03/plan.toml").read_text(encoding="utf-8")


def test_ports_as_json_is_a_list_whatever_is_plugged_in(capsys):
    found = json.loads(told(capsys, "ports", "--json"))
    assert [sorted(serial_port) for serial_port in found["ports"]] == [["description", "port", "serial"]] * len(
        found["ports"]
    )


def test_ports_says_what_is_plugged_in(capsys, monkeypatch):
    from standbook.daq.capture import serial_port

    monkeypatch.setattr(serial_port, "list_ports", lambda: (serial_port.PortInfo("/dev/ttyACM0", "0007", "cradle-a"),))
    assert told(capsys, "ports") == "/dev/ttyACM0  serial 0007  cradle-a\n"
    assert json.loads(told(capsys, "ports", "--json")) == {
        "ports": [{"port": "/dev/ttyACM0", "serial": "0007", "description": "cradle-a"}]
    }
    monkeypatch.setattr(serial_port, "list_ports", tuple)
    assert "standbook rehearse PLAN" in told(capsys, "ports")


# --- the run --------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_a_rehearsal_played_and_recorded_by_two_processes_is_whole(made):
    """A computer too busy for 20 times real time makes the device drop rows; then exactly those are missing.

    Or the device falls behind and the clock of its rows reads slow, which is a caution and no loss.
    """
    assert "played to the end" in made.stand.stdout
    found = re.search(r"stream 1: ([\d,]+) rows sent, ([\d,]+) had no room", made.stand.stdout)
    sent, dropped = (int(number.replace(",", "")) for number in found.groups())
    assert sent > 30_000
    record = json.loads((made.folder / "record.json").read_text(encoding="utf-8"))
    device = record["devices"]["cradle-a"]
    stream = device["streams"]["fast"]
    assert (stream["rows"], stream["lost_rows"]) == (sent, dropped)
    whole = RecordSummary.model_validate(record).is_whole  # a computer that was held up may have a finding besides
    assert not (dropped and whole)
    assert (made.stand.returncode, made.recorder.returncode) == (0, 0 if whole else 10)
    told = [line for line in made.recorder.stderr.splitlines() if "may fall asleep" not in line]
    assert told == []  # where the system has no way to be kept awake, that alone is said
    assert record["t_zero"]["source"] == "cradle-a fire rising"
    assert f"cradle-a/fast: {sent:,} rows, {dropped:,} lost" in made.recorder.stdout


@pytest.mark.slow
def test_a_rehearsal_is_marked_in_its_name_and_in_its_file_and_sealed(made):
    assert made.folder.name.endswith("_HF-02_rehearsal")
    info = json.loads((made.folder / "run.json").read_text(encoding="utf-8"))
    assert (info["rehearsal"], info["prediction"]) == (True, "locked")
    assert {"raw/cradle-a_001.arrows", "samples/cradle-a_fast.parquet"} <= check_run(made.folder).files.keys()


@pytest.mark.slow
def test_sealing_the_same_journals_again_gives_the_same_record(made, sealed, capsys):
    for name in ("manifest.json", "record.json"):
        (sealed / name).unlink()
    shutil.rmtree(sealed / "samples")
    again = json.loads(told(capsys, "recover", sealed, "--json", code=made.recorder.returncode))
    assert again == json.loads((made.folder / "record.json").read_text(encoding="utf-8"))
    assert (sealed / "manifest.json").read_bytes() == (made.folder / "manifest.json").read_bytes()


# --- after the run --------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_an_analysis_with_findings_ends_in_10_and_its_json_is_the_file(analysed):
    folder, codes, said = analysed
    assert codes[0] == 10
    assert said == results(folder, "A")
    assert any(finding["severity"] != "note" for finding in said["findings"])
    assert said["rehearsal"] is True


@pytest.mark.slow
def test_an_analysis_without_findings_ends_in_0(tmp_path, capsys):
    """The simulated water flow of the oxidiser's side goes as planned; weighed, no caution is left."""
    flow = make_run(tmp_path, "WF-03", time_scale=10)
    told(capsys, "add", flow.folder, flow.weighings)
    assert "No caution and no serious finding" in told(capsys, "analyse", flow.folder)
    assert results(flow.folder, "A")["kind"] == "water flow"


@pytest.mark.slow
def test_a_second_analysis_is_a_revision_that_says_the_same(analysed, tmp_path, capsys):
    copy = shutil.copytree(analysed[0].parents[1], tmp_path / "teasel-2")
    folder = copy / "runs" / analysed[0].name
    first = {path.name: path.read_bytes() for path in (folder / "analysis/rev-A").iterdir()}
    assert "into rev-C" in told(capsys, "analyse", folder, code=10)
    assert {path.name: path.read_bytes() for path in (folder / "analysis/rev-A").iterdir()} == first
    assert results(folder, "C") == {**results(folder, "A"), "revision": "C"}
    assert (folder / "analysis/rev-C/curves.parquet").read_bytes() == first["curves.parquet"]


@pytest.mark.slow
def test_weighings_are_added_beside_the_sealed_run_and_enter_the_next_analysis(made, sealed, capsys):
    before = (sealed / "manifest.json").read_bytes()
    assert "additions/001" in told(capsys, "add", sealed, made.weighings)
    assert (sealed / "manifest.json").read_bytes() == before
    found = json.loads(told(capsys, "analyse", sealed, "--json", code=10))
    assert "not-weighed" not in {finding["code"] for finding in found["findings"]}


@pytest.mark.slow
def test_any_other_file_is_kept_beside_the_run_and_said_to_weigh_nothing(sealed, tmp_path, capsys):
    (tmp_path / "log.txt").write_text("wind from the west\n", encoding="utf-8")
    assert "weighings.toml alone" in told(capsys, "add", sealed, tmp_path / "log.txt")
    assert (sealed / "additions/001/log.txt").read_text(encoding="utf-8") == "wind from the west\n"


@pytest.mark.slow
def test_a_later_calibration_works_from_counts_in_a_later_revision(analysed):
    folder, codes, _ = analysed
    assert codes == [10, 10]
    old, new = results(folder, "A"), results(folder, "B")
    # The weight of what leaves is in the same reading, so the whole integral scales, but for the weight of the gas.
    assert new["impulse"]["value"] == pytest.approx(1.010 * old["impulse"]["value"], rel=1e-6)
    assert "later-calibration" in {finding["code"] for finding in new["findings"]}
    assert [path.name for path in (folder / "analysis/rev-B/calibrations").iterdir()] == ["LC-1_r05.toml"]
    assert "calibrations/LC-1_r05.toml" in verify(folder / "analysis/rev-B").files
    assert not (folder / "analysis/rev-A/calibrations").exists()


@pytest.fixture(scope="module")
def reports(analysed):
    """Both revisions' reports, and what the browser was asked to open."""
    folder, *_ = analysed
    opened = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(webbrowser, "open", lambda address: bool(opened.append(address)) or True)
        assert run(["report", str(folder), "--revision", "A"]) == 0
        assert run(["report", str(folder), "--open"]) == 0
    paths = [folder / f"analysis/report_rev-{revision}.html" for revision in "AB"]
    return [path.read_text(encoding="utf-8") for path in paths], opened, paths


@pytest.mark.slow
def test_the_report_of_a_revision_shows_the_calibration_it_was_made_with(analysed, reports):
    old, new = reports[0]
    assert f"--calibration runs/{analysed[0].name}/analysis/rev-B/calibrations/LC-1_r05.toml" in new
    assert re.search(r"LC-1[^<]*r05", new)
    assert "r05" not in old
    assert re.search(r"LC-1[^<]*r04", old)


@pytest.mark.slow
def test_a_report_is_one_file_that_fetches_nothing(reports):
    assert FETCHED.findall("<img src='a.png'> url(b.woff) https://host/c") != []
    for html in reports[0]:
        assert html.lstrip().lower().startswith("<!doctype html>")
        assert "REHEARSAL" in html
        assert FETCHED.findall(html) == []
        assert "<script" not in html


@pytest.mark.slow
def test_the_newest_report_is_written_and_opened_unless_told_otherwise(reports):
    _, opened, (_, newest) = reports
    assert opened == [newest.resolve().as_uri()]


@pytest.mark.slow
def test_a_revision_that_is_not_there_is_refused(analysed, capsys):
    assert run(["report", str(analysed[0]), "--revision", "Q"]) == 6
    assert "no analysis revision Q; there are A, B" in capsys.readouterr().err


@pytest.mark.slow
def test_an_earlier_analysis_is_read_again_and_none_is_made(analysed, capsys):
    folder, *_ = analysed
    there = sorted(path.name for path in (folder / "analysis").iterdir() if path.name.startswith("rev-"))
    old = json.loads(told(capsys, "analyse", folder, "--revision", "A", "--json", code=10))
    assert old == results(folder, "A")
    new = json.loads(told(capsys, "analyse", folder, "--revision", "newest", "--json", code=10))
    assert new == results(folder, "B")
    said = told(capsys, "analyse", folder, "--revision", "A", code=10)
    assert said.startswith(f"rev-A of {folder}:\n")
    assert sorted(path.name for path in (folder / "analysis").iterdir() if path.name.startswith("rev-")) == there


@pytest.mark.slow
def test_an_earlier_analysis_takes_no_other_calibration(analysed, capsys):
    folder, *_ = analysed
    assert run(["analyse", str(folder), "--revision", "A", "--calibration", "LC-1_r05.toml"]) == 2
    assert "leave one out" in capsys.readouterr().err
    assert run(["analyse", str(folder), "--revision", "Q"]) == 6


# --- the demo -------------------------------------------------------------------------------------------------


def test_the_demo_writes_over_nothing(tmp_path, capsys):
    (tmp_path / "teasel-2").mkdir()
    assert run(["demo", str(tmp_path)]) == 3
    assert "exists already" in capsys.readouterr().err
    assert list((tmp_path / "teasel-2").iterdir()) == []
