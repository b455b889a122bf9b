"""``bench`` on real pseudo-terminals: a board that nobody has a stand for is recorded, sealed, reported."""

import os
import signal
import tomllib

import pytest

from standbook.analysis.bench_report import page, write
from standbook.cli.main import run as command
from standbook.daq.run.run_folder import check_run, open_run
from tests.cli.made_run import ended, standbook, until
from tests.cli.test_ports import LINES, sent, talking
from tests.every_write import listened_at_once, recorded_at_once
from tests.recorded_run import fast_hello, starter

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals"),
]
QUICKLY = ("--listen", "1", "--for", "1")


def told(capsys, *arguments, code):
    capsys.readouterr()
    found = command([str(argument) for argument in arguments])
    said = capsys.readouterr()
    assert found in (code if isinstance(code, tuple) else (code,)), said
    assert "Traceback" not in said.err
    return said


def runs_in(campaign):
    return sorted((campaign / "runs").iterdir())


def test_a_board_becomes_a_stand_a_sealed_run_and_a_report(tmp_path, capsys, monkeypatch):
    listened_at_once(monkeypatch)
    recorded_at_once(monkeypatch)
    for module in (page, write):
        monkeypatch.setattr(module, "drawn", lambda _: ())  # pictures take longest, and are drawn in other tests
    campaign = tmp_path / "first-hour"
    out = told(capsys, "bench", "/dev/simulated", "--to", campaign, "--listen", "0.1", "--for", "1", code=0).out
    (folder,) = runs_in(campaign)
    assert check_run(folder)
    assert "cradle-a/fast: 300 rows, 0 lost in 0 gaps" in out
    assert f"Report: {folder / 'analysis/report_bench.html'}" in out
    calibrate = next(line for line in out.splitlines() if line.startswith("Next: standbook calibrate ")).split()[2:]
    assert "levels" in told(capsys, *calibrate, code=0).out


@pytest.mark.slow
def test_a_framed_board_is_recorded_twice_and_the_second_time_by_the_stand_that_is_there(tmp_path, capsys):
    campaign = tmp_path / "first-hour"
    with talking(sent(fast_hello(channels=3), rows=200)) as port:
        out = told(capsys, "bench", port, "--to", campaign, *QUICKLY, code=(0, 10)).out
        stand = (campaign / "stand.toml").read_bytes()
        assert f"Wrote {campaign / 'stand.toml'}: one input a channel, in counts." in out
        again = told(capsys, "bench", port, "--to", campaign, *QUICKLY, code=(0, 10)).out
    first, second = runs_in(campaign)
    assert (first.name[10:], second.name[10:]) == ("_bench-1", "_bench-2")
    assert "Wrote" not in again
    assert (campaign / "stand.toml").read_bytes() == stand
    for folder in (first, second):
        check_run(folder)
        assert (folder / "analysis/report_bench.html").is_file()
        opened = open_run(folder)
        assert (opened.info.kind, opened.prediction_status, opened.info.lock) == ("bench", "postdiction", None)
        assert opened.record.devices["cradle-a"].streams["fast"].rows > 30
    assert f"Next: standbook new NEW_CAMPAIGN --from {first}" in out


@pytest.mark.slow
def test_a_board_that_prints_is_recorded_as_it_prints(tmp_path, capsys):
    campaign = tmp_path / "first-hour"
    with talking(LINES) as port:
        said = told(capsys, "bench", port, "--to", campaign, "--baud", "115200", *QUICKLY, code=(0, 10))
    device = tomllib.loads((campaign / "stand.toml").read_text(encoding="utf-8"))["device"][0]
    assert (device["baud"], device["text_lines"]["decimal"]) == (115_200, ",")
    (folder,) = runs_in(campaign)
    (stream,) = open_run(folder).record.devices["board-1"].streams.values()
    assert {channel.wire: channel.resolution for channel in stream.channels}["c3"] == pytest.approx(0.1)
    assert "commands nothing" in said.out
    assert f"Report: {folder / 'analysis/report_bench.html'}" in said.out


@pytest.mark.slow
def test_ctrl_c_ends_it_early_and_it_is_sealed_all_the_same(tmp_path):
    campaign = tmp_path / "first-hour"
    with talking(sent(fast_hello(channels=2), rows=200)) as port:
        process = standbook("bench", port, "--to", campaign, "--listen", "0.6", "--for", "600")
        with ended(process):
            until(lambda: any(path.stat().st_size > 4000 for path in campaign.glob("runs/*/raw/*.arrows")), "rows")
            process.send_signal(signal.SIGINT)
            assert process.wait() in (0, 10)
    (folder,) = runs_in(campaign)
    check_run(folder)
    assert (folder / "analysis/report_bench.html").is_file()


@pytest.mark.slow
def test_a_board_that_says_it_is_simulated_marks_its_run(tmp_path, capsys):
    campaign = tmp_path / "first-hour"
    with talking(sent(fast_hello(channels=2, time_scale=2.0), rows=200)) as port:
        out = told(capsys, "bench", port, "--to", campaign, *QUICKLY, code=(0, 10)).out
    assert "REHEARSAL: the board says that it is simulated." in out
    (folder,) = runs_in(campaign)
    assert folder.name.endswith("_bench-1_rehearsal")
    assert "REHEARSAL" in (folder / "analysis/report_bench.html").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("said", "code", "sentence"),
    [
        ([b""], 4, "silence"),
        ([b"\x81\xfe\x90" * 30], 4, "neither frames nor text"),
        (sent(fast_hello())[1:], 5, "no hello that can be read"),
        ([b"ready\n", b"waiting for a card\n"], 5, "no table for stand.toml can be made"),
        ([b"%d\n" % k for k in range(1000)], 5, "no table for stand.toml can be made"),
    ],
)
def test_what_is_no_board_is_refused_and_nothing_is_left(tmp_path, capsys, said, code, sentence):
    with talking(said) as port:
        err = told(capsys, "bench", port, "--to", tmp_path / "b", "--listen", "0.5", code=code).err
    assert sentence in err
    assert "nothing is recorded" in err
    assert not (tmp_path / "b").exists()


def test_a_stand_that_has_no_such_board_is_left_as_it_is(tmp_path, capsys):
    campaign = starter(tmp_path).folder
    before = sorted(path for path in campaign.rglob("*"))
    with talking(sent(fast_hello(serial="9"), rows=0)) as port:
        listened = ("bench", port, "--to", campaign, "--listen", "0.3")
        err = told(capsys, *listened, code=3).err
        assert 'has no board "cradle-a", serial 9, only cradle-a (serial 0007)' in err
    with talking(LINES) as port:
        err = told(capsys, "bench", port, "--to", campaign, "--listen", "0.5", code=3).err
        assert "has no board that prints such lines, only cradle-a" in err
    with talking(sent(fast_hello(), rows=0)) as port:
        err = told(capsys, "bench", port, "--to", campaign, "--listen", "0.3", "--baud", "9600", code=3).err
        assert "baud is 1000000, the board was heard at 9600" in err
    assert sorted(path for path in campaign.rglob("*")) == before


def test_a_damaged_stand_is_told_before_the_port_is_opened(tmp_path, capsys):
    (tmp_path / "stand.toml").write_text("name = ", encoding="utf-8")
    with talking([b""]) as port:
        err = told(capsys, "bench", port, "--to", tmp_path, code=3).err
    assert "stand.toml" in err
    assert "Listening" not in err


def test_a_folder_that_cannot_be_made_is_one_sentence(tmp_path, capsys):
    (tmp_path / "file").write_text("not a folder", encoding="utf-8")
    with talking(sent(fast_hello(channels=2), rows=0)) as port:
        err = told(capsys, "bench", port, "--to", tmp_path / "file" / "b", "--listen", "0.3", code=6).err
    assert "cannot be made" in err


@pytest.mark.parametrize(
    ("options", "code", "sentence"),
    [
        (("--for", "0.5"), 2, "greater than or equal to 1"),
        (("--for", "a while"), 2, "a valid number"),
        (("--baud", "fast"), 2, "is no speed"),
        ((), 4, "no such port"),
    ],
)
def test_options_that_cannot_be_meant_are_refused(tmp_path, capsys, options, code, sentence):
    err = told(capsys, "bench", "/dev/ttyNONE7", "--to", tmp_path / "b", *options, code=code).err
    assert sentence in err
    assert not (tmp_path / "b").exists()
