"""No field of any file, and nothing that a board says, commands the terminal through any command that prints it."""

import json
import shutil

import pytest

from standbook.analysis.campaign import carried_runs
from standbook.daq.capture import serial_port
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import read_plan
from standbook.daq.config.toml_document import parse_document
from standbook.daq.errors import ConfigError
from standbook.daq.run.additions import read_weighings
from standbook.daq.run.lock import LOCK_FILE, PLAN_FILE, PREDICTION_FILE
from standbook.daq.run.marks import MARKS_FILE
from standbook.daq.run.run_folder import RECORD_FILE, read_run_files
from standbook.daq.storage.manifest import MANIFEST
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body, note_body
from tests import every_write
from tests.cli.made_run import small_campaign, today
from tests.every_write import a_sealed_run_with_a_gap, recorded_at_once, said
from tests.payloads import PAYLOADS
from tests.readings_sheets import sheet_of, write_sheet
from tests.recorded_run import fast_hello, plausible_counts
from tests.repository import ROOT
from tests.typed_fields import ALL, FILES, TYPED, name_of, parsed, typed_into, value_at, written

HOSTILE = "".join(PAYLOADS)
EXIT_CODES = {0, 2, 3, 4, 5, 6, 7, 9, 10}
SAMPLES = ROOT / "sample_runs" / "teasel-2" / "runs"


def commands_in(text):
    """Characters that a terminal could obey, the end of a line apart."""
    return [mark for mark in text if not mark.isprintable() and mark != "\n"]


def spoken(*arguments):
    """Run a command that must not command the terminal; return what it said."""
    code, out, err = said(*map(str, arguments))
    assert code in EXIT_CODES, err
    assert commands_in(out + err) == [], arguments
    assert out + err
    return out + err


@pytest.fixture(scope="module")
def typed(tmp_path_factory):
    """A campaign, a sealed run and what belongs to an import, in one folder."""
    place = tmp_path_factory.mktemp("typed")
    a_sealed_run_with_a_gap(place)
    small_campaign(place)
    for file in ("weighings", "mapping", "private"):
        (place / f"{file}.toml").write_text(TYPED[file])
    write_sheet(place / "teasel-2", TYPED["sheet"])
    for file, where in (
        ("pull", "readings/LC-1_pull_2025-11-02.toml"),
        ("waivers", "waivers/WF-03.toml"),
        ("proof", "proofs/2025-05-20_oxidiser.toml"),
    ):
        (place / "teasel-2" / where).parent.mkdir(exist_ok=True)
        (place / "teasel-2" / where).write_text(TYPED[file])
    (place / "log.csv").write_text("t,P_ox,FIRE\n0,31,0\n10000,30,1\n")
    return place


@pytest.fixture(scope="module")
def predicted_once():
    """The prediction itself is no matter here: what each command says around it is."""
    kept = {}
    predict = carried_runs.predict_in_campaign

    def once(campaign):
        kind = campaign.plan.test.kind
        if kind not in kept:
            kept[kind] = predict(campaign)
        return kept[kind]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(carried_runs, "predict_in_campaign", once)
        yield


def place_of(file, path, place):
    """Say where a file lies, and which command reads it."""
    campaign = place / "teasel-2"
    flow = campaign / "plans" / "WF-03.toml"
    pulled = campaign / "readings" / "LC-1_pull_2025-11-02.toml"
    has_flow = file != "plan" or path[0] in ("test", "site", "calibrations", "tank", "flow", "recording")
    plan = flow if has_flow else campaign / "plans" / "HF-02.toml"
    return {
        "plan": (plan, ("predict", plan)),
        "stand": (campaign / "stand.toml", ("predict", flow)),
        "calibration": (campaign / "calibrations" / "PT-11_r02.toml", ("predict", flow)),
        "weighings": (place / "weighings.toml", ("add", place / "run", place / "weighings.toml")),
        "sheet": (sheet_of(campaign, "PT-11"), ("calibrate", sheet_of(campaign, "PT-11"))),
        "pull": (pulled, ("pull", pulled)),
        "waivers": (campaign / "waivers" / "WF-03.toml", ("ready", flow)),
        "proof": (campaign / "proofs" / "2025-05-20_oxidiser.toml", ("ready", flow)),
        "private": (
            place / "private.toml",
            ("export", place / "run", "--redacted", "--channel", "PT-11", "--until", "0", "--to", place / "exports"),
        ),
        "mapping": (place / "mapping.toml", ("import", place / "log.csv", place / "mapping.toml", flow)),
    }[file]


def test_there_are_many_fields():
    assert len(ALL) >= 150
    assert {file for file, _ in ALL} == set(FILES)
    assert len(PAYLOADS) == 12


@pytest.mark.slow
@pytest.mark.usefixtures("predicted_once")
@pytest.mark.parametrize(("file", "path"), ALL, ids=[name_of(*field) for field in ALL])
def test_a_field_of_a_file_is_never_obeyed(typed, file, path):
    place, command = place_of(file, path, typed)
    before = place.read_text(encoding="utf-8")
    try:
        for payload in PAYLOADS:
            values = parsed(before)
            typed_into(values, path, payload)
            place.write_text(written(values), encoding="utf-8")
            spoken(*command)
    finally:
        place.write_text(before, encoding="utf-8")


@pytest.mark.parametrize("file", FILES)
def test_a_key_that_nobody_knows_is_never_obeyed(typed, file):
    place, command = place_of(file, ("test",), typed)
    before = place.read_text(encoding="utf-8")
    try:
        for payload in PAYLOADS:
            place.write_text(written({f"a{payload}": 1, **parsed(before)}), encoding="utf-8")
            assert "unknown key" in spoken(*command)
    finally:
        place.write_text(before, encoding="utf-8")


# --- all that is taken as it is typed, at once and all the way ---------------------------------------------


def typed_everywhere(place, file, read):
    """Type every payload into every field of a file that takes it, and keep the file; return the fields."""
    taken = []
    for one, path in ALL:
        before = place.read_text(encoding="utf-8")
        values = parsed(before)
        # A table that is not there would be another plan; a name of something else would have to be its name.
        if one != file or (len(path) > 1 and value_at(values, path[:-1]) is None):
            continue
        typed_into(values, path, HOSTILE)
        try:
            parse_document(written(values), FILES[file], file)
            place.write_text(written(values), encoding="utf-8")
            read()
        except ConfigError:
            place.write_text(before, encoding="utf-8")
        else:
            taken.append(name_of(file, path))
    return taken


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    """A campaign in which every field says all that it can be made to say."""
    place = tmp_path_factory.mktemp("hostile")
    campaign = small_campaign(place)
    plans = [campaign / "plans" / f"{number}.toml" for number in ("HF-02", "WF-03", "WF-04")]

    def read_all():
        for plan in plans:
            read_campaign(plan, today=today())

    taken = set()
    for file, path in (
        *(("plan", plan) for plan in plans),
        *(("calibration", campaign / "calibrations" / f"{name}.toml") for name in ("LC-1_r04", "PT-11_r02")),
        ("stand", campaign / "stand.toml"),
    ):
        taken |= set(typed_everywhere(path, file, read_all))
    return campaign, taken


@pytest.mark.slow
def test_a_campaign_that_is_all_commands_is_predicted_locked_and_recorded_as_text(hostile, monkeypatch):
    campaign, taken = hostile
    assert len(taken) >= 22, sorted(taken)
    for number in ("WF-03", "HF-02"):
        plan = campaign / "plans" / f"{number}.toml"
        spoken("predict", plan)
        spoken("predict", plan, "--json")
        spoken("lock", plan)
    with monkeypatch.context() as patch:
        recorded_at_once(patch)
        patch.setattr(every_write, "pieces", hostile_board)
        told = spoken("record", plan, "--port", "cradle-a=/dev/simulated", "--for", "0.35")
    assert "Sealed:" in told
    (folder,) = (campaign / "runs").iterdir()
    for command in ("verify", "analyse", "report"):
        spoken(command, folder)
    spoken("verify", folder, "--json")
    spoken("analyse", folder, "--json")
    spoken("recover", folder, "--into", campaign / "again", "--json")


def hostile_board():
    """What a board sends that may write any text: notes."""
    hello = fast_hello()
    rows = encode_samples(hello, 0, 0, 0, plausible_counts(300), 10)
    notes = [
        encode_frame(note_body(level, hello.boot, 1000, f"{payload}board"))
        for payload in PAYLOADS
        for level in range(3)
    ]
    return [encode_frame(hello_body(hello)), *rows[:15], *notes, *rows[15:]]


@pytest.mark.slow
@pytest.mark.parametrize("number", ["WF-03", "HF-02"])
def test_a_run_that_is_all_commands_is_recovered_analysed_and_carried_as_text(tmp_path, hostile, number):
    campaign, _ = hostile
    run = tmp_path / "run"
    shutil.copytree(next(SAMPLES.glob(f"*{number}*")), run)
    for name in (MANIFEST, RECORD_FILE, LOCK_FILE, PREDICTION_FILE):
        (run / name).unlink()
    for name in ("samples", "analysis", "additions"):
        shutil.rmtree(run / name, ignore_errors=True)
    taken = typed_everywhere(run / PLAN_FILE, "plan", lambda: read_run_files(run))
    taken += typed_everywhere(run / "stand.toml", "stand", lambda: read_run_files(run))
    assert len(taken) >= 12, taken
    marks = [{"n": n, "text": payload, "key": payload, "by": payload} for n, payload in enumerate(PAYLOADS, start=1)]
    times = {"monotonic_ns": 1, "boottime_ns": 1, "wall_ns": 1}
    (run / MARKS_FILE).write_text("".join(json.dumps({**mark, **times}) + "\n" for mark in marks))
    weighings = tmp_path / "weighings.toml"
    weighings.write_text(TYPED["weighings"])
    assert typed_everywhere(weighings, "weighings", lambda: read_weighings(weighings, read_plan(run / PLAN_FILE)))
    for line in (["recover", run], ["verify", run], ["add", run, weighings], ["analyse", run], ["report", run]):
        spoken(*line)
    spoken("carry", run, "--to", campaign / "plans" / "HF-02.toml", "--exponent-reason", HOSTILE)


# --- what a board sends ------------------------------------------------------------------------------------


@pytest.mark.parametrize("payload", PAYLOADS)
@pytest.mark.parametrize("field", ["device", "serial", "firmware", "name", "adc0", "fire"])
def test_a_hello_is_never_obeyed(monkeypatch, field, payload):
    hello = hello_body(fast_hello(channels=2))
    old = {"device": "cradle-a", "serial": "0007", "firmware": "1.0.0", "name": "fast"}.get(field, field)
    escaped = json.dumps(payload)[1:-1].encode()
    changed = hello.replace(f'"{old}"'.encode(), f'"{old}'.encode() + escaped + b'"', 1)
    assert changed != hello
    spoken_of_a_port(monkeypatch, [encode_frame(changed), *every_write.pieces()[1:4]])


@pytest.mark.parametrize("payload", PAYLOADS)
def test_lines_of_a_board_are_never_obeyed(monkeypatch, payload):
    line = f"1,2,{payload}\r\n".encode()
    spoken_of_a_port(monkeypatch, [line * 40])
    spoken_of_a_port(monkeypatch, [payload.encode() * 40])


def spoken_of_a_port(monkeypatch, pieces):
    monkeypatch.setattr(every_write, "pieces", lambda: list(pieces))
    monkeypatch.setattr(serial_port, "open_port", lambda *_: every_write.MadeUpPort())
    spoken("ports", "--listen", "/dev/simulated", "--seconds", "0.1")


# --- what is typed behind a command -------------------------------------------------------------------------


@pytest.mark.parametrize("payload", [payload.replace("\0", "\x1b") for payload in PAYLOADS])
def test_what_is_typed_behind_a_command_is_never_obeyed(typed, payload):
    plan, text = typed / "teasel-2" / "plans" / "WF-03.toml", f"a{payload}"
    for line in (
        ["predict", text],
        ["lock", text],
        ["record", text],
        ["record", plan, "--postdiction", "--port", text],
        ["record", plan, "--postdiction", "--port", f"{text}=/dev/null"],
        ["record", plan, "--postdiction", "--port", f"cradle-a={text}"],
        ["rehearse", plan, "--fault", text],
        ["rehearse", plan, "--link", typed / text / "port"],
        ["ports", "--listen", text],
        ["verify", text],
        ["recover", text],
        ["recover", typed / "run", "--into", typed / text / "b"],
        ["add", typed / "run", text],
        ["fill", typed / "run", text],
        ["fill", typed / "run", typed / "card.bin", "--device", text],
        ["import", text, text, plan],
        ["analyse", text],
        ["analyse", typed / "run", "--revision", text],
        ["report", text],
        ["calibrate", text],
        ["calibrate", sheet_of(typed / "teasel-2", "PT-11"), "--revision", text],
        ["carry", text, "--to", plan],
        ["carry", typed / "run", "--to", plan, "--viscosity", text],
        ["watch", text],
        ["guide", text],
        ["new", typed / "log.csv" / text],
        [text],
    ):
        spoken(*line)
