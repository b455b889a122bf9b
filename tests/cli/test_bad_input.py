"""Every bad input ends in one clear sentence, the exit code of its branch, and nothing half-written."""

import datetime as dt
import os
import pty
import shutil
import threading
import tty
from contextlib import contextmanager

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from standbook.cli.main import run
from standbook.cli.starter import write_campaign
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table
from standbook.daq.wire.encoder import encode_samples
from standbook.daq.wire.hello import Hello, WireChannel, WireLine
from tests.campaign_fixture import edit
from tests.playing import playing

pytestmark = pytest.mark.xdist_group("real_time")

TEN_CHANNELS = tuple(WireChannel(f"adc{k}", "i24" if k == 0 else "i16", -32768, 32767) for k in range(11))


@pytest.fixture
def plans(tmp_path):
    """The starter campaign of today, small enough for any disk."""
    campaign = write_campaign(tmp_path, today=dt.datetime.now().astimezone().date())
    for plan in (campaign / "plans").iterdir():
        text = plan.read_text(encoding="utf-8")
        plan.write_text(text.replace('"60 min"', '"1 min"').replace('"30 min"', '"1 min"'), encoding="utf-8")
    return campaign / "plans"


def refused(capsys, arguments, code, *words):
    """Run a command that must be refused; return its sentence."""
    capsys.readouterr()
    assert run([str(argument) for argument in arguments]) == code
    err = capsys.readouterr().err
    lines = [line for line in err.splitlines() if line.strip()]
    assert lines, "refused without a word"
    assert "Traceback" not in err
    for word in words:
        assert word in err, f"{word!r} is not in {err!r}"
    return err


def everything_in(folder):
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*"))


# --- what a person typed --------------------------------------------------------------------------------------

TYPED = {
    "bare number": ("HF-02", 'liquid_load = "10.66 +/- 0.10 kg"', "liquid_load = 10.66", "bare number 10.66"),
    "bar alone": ("HF-02", '"31.0 +/- 0.15 bar(g)"', '"31.0 bar"', "write bar(a) for absolute, bar(g) for gauge"),
    "unknown unit": ("HF-02", '"16.2 +/- 0.4 mm2"', '"16.2 furlong"', "unknown unit 'furlong'"),
    "negative volume": ("HF-02", '"24.00 +/- 0.08 L"', '"-24 L"', "must be more than zero"),
    "more liquid than tank": ("HF-02", '"10.66 +/- 0.10 kg"', '"40 kg"', "more than the tank's"),
    "unknown tag": ("HF-02", 'minimum_data = ["LC-1"', 'minimum_data = ["LC-7"', "unknown tag LC-7"),
    "calibration missing": ("HF-02", '"LC-1_r04"', '"LC-1_r09"', "calibration LC-1_r09 is missing"),
    "two inputs with one tag": ("../stand", 'tag = "PT-12"', 'tag = "PT-11"', "two inputs share the tag PT-11"),
    "calibration out of date": (
        "../calibrations/LC-1_r04",
        "valid_until = 2",
        "valid_until = 1",
        "is before date",
    ),
}


@pytest.mark.parametrize("command", ["predict", "lock", "record", "rehearse"])
@pytest.mark.parametrize("name", TYPED)
def test_a_faulty_file_is_refused_by_every_command_that_reads_it(plans, capsys, name, command):
    stem, old, new, words = TYPED[name]
    edit(plans / f"{stem}.toml", old, new)
    before = everything_in(plans.parent)
    refused(capsys, [command, plans / "HF-02.toml"], 3, words)
    assert everything_in(plans.parent) == before


def test_a_calibration_that_ran_out_is_refused(tmp_path, capsys):
    campaign = write_campaign(tmp_path, today=dt.date(2020, 1, 1))
    err = refused(capsys, ["predict", campaign / "plans/HF-02.toml"], 3, "LC-1_r04 is valid from 2019-12-20 until")
    assert "calibrate LC-1 again" in err


def test_a_plan_changed_after_locking_is_refused(plans, capsys):
    assert run(["lock", str(plans / "WF-03.toml")]) == 0
    edit(plans / "WF-03.toml", '"9.34 +/- 0.02 kg"', '"9.30 +/- 0.02 kg"')
    refused(capsys, ["record", plans / "WF-03.toml", "--port", "cradle-a=/dev/null"], 3, "plan", "lock")
    assert not (plans.parent / "runs").exists()


def test_recording_without_a_lock_is_refused_unless_it_is_called_a_postdiction(plans, capsys):
    refused(capsys, ["record", plans / "WF-03.toml"], 3, "no prediction is locked", "--postdiction")


def test_new_does_not_write_over_anything(plans, capsys):
    refused(capsys, ["new", plans.parent], 3, "exists already")


def test_an_unknown_command_or_option_is_a_usage_error(capsys):
    refused(capsys, ["launch"], 2, "No such command")
    refused(capsys, ["record"], 2, "PLAN")


# --- ports ----------------------------------------------------------------------------------------------------


def record(plans, port, *more, number="WF-03"):
    return ["record", plans / f"{number}.toml", "--postdiction", "--no-analysis", "--port", f"cradle-a={port}", *more]


def test_a_port_that_is_not_there_is_refused(plans, capsys):
    refused(capsys, record(plans, plans / "no-such-port"), 4, "no such port")
    assert list((plans.parent / "runs").iterdir()) == []


def test_a_device_on_no_port_is_refused_with_what_is_present(plans, capsys):
    refused(capsys, ["record", plans / "WF-03.toml", "--postdiction"], 4, "0007", "--port cradle-a=PATH")


def test_a_port_of_an_unknown_device_is_refused(plans, capsys):
    arguments = ["record", plans / "WF-03.toml", "--postdiction", "--port", "cradle-b=/dev/null"]
    refused(capsys, arguments, 3, 'unknown device "cradle-b"')
    refused(capsys, [*arguments[:-1], "cradle-b"], 2, "is not DEVICE=PATH")
    refused(capsys, record(plans, "a\x00b"), 4, "cradle-a: a\\x00b is no port")
    refused(capsys, record(plans, "/dev/null", "--port", "cradle-a=/dev/zero"), 2, "--port is given twice for cradle-a")


@contextmanager
def talking(data, every=0.05):
    """A pseudo-terminal on which somebody keeps saying the same."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    over = threading.Event()

    def talk():
        while not over.wait(every):
            if data:
                os.write(master, data)

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        over.set()
        thread.join()
        os.close(slave)
        os.close(master)


@pytest.mark.parametrize(
    ("data", "seen"),
    [
        (b"", "silence"),
        (b"12.5,13.5,99\r\n", "text"),
        (bytes(range(128, 255)), "wrong speed"),
    ],
    ids=["silence", "text", "wrong speed"],
)
def test_a_port_without_a_valid_frame_for_3_s_is_refused_with_what_was_seen(plans, capsys, data, seen):
    with talking(data) as port:
        refused(capsys, record(plans, port), 4, "no valid frame", "for 3 s", seen)
    assert list((plans.parent / "runs").iterdir()) == []


def test_a_busy_port_is_refused(plans, capsys):
    import fcntl

    with talking(b"") as port:
        other = os.open(port, os.O_RDONLY | os.O_NOCTTY)
        fcntl.flock(other, fcntl.LOCK_EX)
        refused(capsys, record(plans, port), 4, "busy")
        os.close(other)


def test_rows_of_a_layout_that_no_hello_explains_are_refused(plans, capsys):
    hello = Hello(
        device="cradle-a",
        serial="0007",
        firmware="x",
        boot=1,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=TEN_CHANNELS,
        lines=(),
    )
    frame = encode_samples(hello, 0, 0, 0, np.zeros((10, 11), np.int32), 10)[0]
    with talking(frame) as port:
        refused(capsys, record(plans, port, "--for", "3.5"), 5, "layout", "hello", "until then is kept")
    (folder,) = (plans.parent / "runs").iterdir()
    assert run(["recover", str(folder), "--no-analysis"]) == 10
    assert "no hello was received" in capsys.readouterr().out


def made_up(seconds=2.0, time_scale=4.0):
    """A simulated device with nothing but zeros to say."""
    rows = round(seconds * 1000)
    stream = PlayedStream(
        number=1, name="fast", interval_ticks=1000, channels=TEN_CHANNELS, counts=np.zeros((rows, 11), np.int32)
    )
    lines = (WireLine(0, "fire"), WireLine(1, "valve"))
    edge = (PlayedEdge(rows * 500, 1, 1),)
    table = Table(
        device="cradle-a",
        serial="0007",
        firmware="x",
        boot=1,
        tick_hz=1_000_000,
        start_ticks=0,
        streams=(stream,),
        lines=lines,
        edges=edge,
    )
    return RehearsalDevice(table, time_scale=time_scale)


def test_a_made_up_device_is_refused_outside_a_rehearsal(plans, capsys):
    for scale in (1.0, 4.0):
        with playing(made_up(time_scale=scale)) as port:
            refused(capsys, record(plans, port), 4, "simulated", "--rehearsal")
    assert list((plans.parent / "runs").iterdir()) == []


# --- disk and run folder --------------------------------------------------------------------------------------


def test_a_disk_without_room_is_refused_at_the_start(plans, capsys):
    edit(plans / "WF-03.toml", '"1 min"', '"90000000 h"')
    refused(capsys, record(plans, plans / "any"), 6, "disk full", "GB needed")
    assert list((plans.parent / "runs").iterdir()) == []


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    """A short rehearsal, recorded and sealed; tests work on copies of its campaign.

    A computer that is held up meanwhile has a finding about its clock, and ends in 10.
    """
    folder = tmp_path_factory.mktemp("sealed")
    campaign = write_campaign(folder, today=dt.datetime.now().astimezone().date())
    edit(campaign / "plans/WF-03.toml", '"30 min"', '"1 min"')
    with playing(made_up(seconds=12.0, time_scale=10.0)) as port:
        assert run([str(a) for a in record(campaign / "plans", port, "--rehearsal")]) in (0, 10)
    return campaign


@pytest.fixture
def run_folder(sealed, tmp_path):
    copy = tmp_path / "campaign"
    shutil.copytree(sealed, copy)
    (folder,) = (copy / "runs").iterdir()
    return folder


def test_a_run_folder_that_exists_is_never_recorded_over(run_folder, capsys):
    plans = run_folder.parents[1] / "plans"
    test = run_folder.with_name(run_folder.name.removesuffix("_rehearsal"))
    run_folder.rename(test)
    before = everything_in(test)
    refused(capsys, record(plans, plans / "any"), 6, "run folder exists")
    assert everything_in(test) == before


def test_a_sealed_run_is_not_sealed_again(run_folder, capsys):
    refused(capsys, ["recover", run_folder], 6, "sealed already")


def test_one_changed_byte_anywhere_is_a_manifest_mismatch(run_folder, capsys):
    path = next((run_folder / "samples").glob("*.parquet"))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    refused(capsys, ["analyse", run_folder], 6, path.name, "changed")
    assert not (run_folder / "analysis").exists()


def test_a_rehearsal_offered_for_signature_is_refused(run_folder, capsys):
    refused(capsys, ["report", run_folder, "--for-signature"], 6, "rehearsal", "nothing to sign")


def test_a_run_that_was_not_analysed_has_no_report(run_folder, capsys):
    refused(capsys, ["report", run_folder], 6, "not analysed yet")


def test_a_folder_that_is_no_run_is_refused(tmp_path, capsys):
    for command in ("analyse", "report", "recover", "verify"):
        refused(capsys, [command, tmp_path], 6, "run")


def test_a_record_that_cannot_answer_is_refused(run_folder, capsys):
    """All zeros: no pressure before opening, nothing flows."""
    code = run(["analyse", str(run_folder)])
    captured = capsys.readouterr()
    assert code in (7, 10)
    assert "Traceback" not in captured.err


def test_damaged_parquet_and_parquet_of_strangers_are_refused(run_folder):
    from standbook.daq.errors import RecordError
    from standbook.daq.run.samples_file import read_samples

    path = next((run_folder / "samples").glob("*.parquet"))
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    with pytest.raises(RecordError, match=path.name) as torn:
        read_samples(path)
    pq.write_table(pa.table({"time": [0.0, 1.0]}), path)
    with pytest.raises(RecordError, match=path.name) as stranger:
        read_samples(path)
    assert "\n" not in str(torn.value) + str(stranger.value)


# --- a CSV of another logger ----------------------------------------------------------------------------------

MAPPING = """separator = ","
start = 2026-01-05T10:00:00Z
clock = "t"
clock_unit = "s"
t_zero = "1.0 +/- 0.01 s"
[columns]
"P_tank" = "PT-11 bar(g)"
"""


@pytest.fixture
def csv(tmp_path):
    rows = "".join(f"{k / 100:.2f},{9.0 - k / 1000:.3f},{20 + k % 3}\n" for k in range(600))
    (tmp_path / "flow.csv").write_text("t,P_tank,T_room\n" + rows, encoding="utf-8")
    (tmp_path / "map.toml").write_text(MAPPING, encoding="utf-8")
    return tmp_path / "flow.csv"


FOREIGN = {
    "missing column": ("map.toml", '"P_tank"', '"P_tonk"', 3, "P_tonk"),
    "wrong separator": ("map.toml", 'separator = ","', 'separator = ";"', 3, "separator"),
    "no reference": ("map.toml", "bar(g)", "bar", 3, "write bar(a)"),
    "unknown unit": ("map.toml", "bar(g)", "furlong", 3, "furlong"),
    "unknown tag": ("map.toml", "PT-11", "PT-99", 3, "PT-99"),
    "a start before records": ("map.toml", "2026-01-05T", "0001-01-05T", 3, "is before 1970"),
    "a modulus of no clock": ("map.toml", "[columns]", "clock_modulus = 1e300\n[columns]", 3, "clock_modulus 1e+300"),
    "time running backwards": ("flow.csv", "\n3.00,", "\n2.00,", 7, "back"),
    "a word for a number": ("flow.csv", "\n3.00,8.7", "\n3.00,oops", 7, "oops"),
}


@pytest.mark.parametrize("name", FOREIGN)
def test_a_foreign_csv_with_a_fault_is_refused(plans, csv, capsys, name):
    file, old, new, code, words = FOREIGN[name]
    edit(csv.parent / file, old, new)
    refused(capsys, ["import", csv, csv.parent / "map.toml", plans / "WF-03.toml"], code, words)
    runs = plans.parent / "runs"
    assert not runs.exists() or list(runs.iterdir()) == []


def test_a_csv_that_is_not_there_is_refused(plans, csv, capsys):
    arguments = ["import", csv.parent / "absent.csv", csv.parent / "map.toml", plans / "WF-03.toml"]
    refused(capsys, arguments, 6, "absent.csv")


def test_another_loggers_values_are_not_offered_for_signature_unless_somebody_answers_for_it(
    plans, csv, run_folder, capsys
):
    assert run(["import", str(csv), str(csv.parent / "map.toml"), str(plans / "WF-03.toml")]) in (0, 10)
    (imported,) = (plans.parent / "runs").iterdir()
    refused(capsys, ["report", imported, "--for-signature"], 6, "another logger's", "--vouched-by")
    refused(capsys, ["report", imported, "--for-signature", "--vouched-by", "DAQ"], 6, "not analysed yet")
    refused(capsys, ["report", run_folder, "--vouched-by", "DAQ"], 6, "recorded by this program", "leave it out")
