"""``check`` on a real pseudo-terminal: a person vents, pressurises, pushes, hangs a weight, one key each."""

import json
import re
import tomllib

import numpy as np
import pytest

from standbook.cli.main import run
from standbook.cli.rehearse_check import check_tables
from standbook.daq.bench.step_taking import STEP_KEY
from standbook.daq.bench.unplanned_run import create_bench_run
from standbook.daq.errors import EXIT_FINDINGS, EXIT_USAGE, DataError
from standbook.daq.rehearsal.played_levels import HOLD, ROWS_A_SECOND
from standbook.daq.run.marks import MARKS_FILE
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from standbook.daq.stand_sheets.check_file import all_checks
from tests.bench_board import BenchBoard, take
from tests.cli.made_run import ended, small_campaign, standbook
from tests.cli.test_live_record import Person
from tests.recorded_run import MONOTONIC_NS, NOW, WALL_NS, Player, fast_hello, plausible_counts, plenty

KEYS = {"alignment": b"0.5/0.2 ", "sag": b"2 "}
KEYS |= {f"{way} {tank}": keys for tank in ("oxidiser", "fuel") for way, keys in (("low", b"3 "), ("tank", b"30 "))}


@pytest.fixture
def plan(tmp_path):
    campaign = small_campaign(tmp_path)
    return campaign / "plans" / "HF-02.toml"


def stage_counts(plan, fault=""):
    """Counts of the only board at the end of every step, by its name."""
    (table,), steps = check_tables(plan, 1, fault)
    (stream,) = table.streams
    at = {words.partition(":")[0]: round((begins + HOLD - 1.0) * ROWS_A_SECOND) for begins, words in steps}
    return {name: stream.counts[row].astype(np.float64) for name, row in at.items()}


def checked(plan, counts, *, leave_out=(), strike=""):
    """Do a whole check; return what the person read, and the exit code."""
    person = Person()
    ends = dict.fromkeys(("stdin", "stdout", "stderr"), person.slave)
    try:
        with BenchBoard().running() as board:
            process = standbook(
                "check", plan, "--rehearsal", "--port", f"cradle-a={board.port}", **ends, **person.foreground()
            )
            with ended(process):
                for name, values in counts.items():
                    board.counts = values
                    if name in leave_out:
                        person.until(rf"\d+/\d+ {name}")
                        person.press(b"n")
                        person.until(f"left out: {name}")
                        continue
                    if name == "T-0":
                        person.until(r"\d+/\d+ T-0: waiting for the edge")
                        person.press(b" ")
                        person.until("not taken: no rising edge of fire was seen yet")
                        person.press(b"a")  # this board has no line
                        person.until("taken: T-0")
                        continue
                    keys = KEYS.get(name, b" ")
                    person.press(keys[:-1])
                    take(person, name, lambda: re.search(rf"\d+/\d+ {name}[^\n]*stands, press", newest(person)))  # noqa: B023
                code = process.wait()
        return person.read(), code
    finally:
        person.leave()
        person.join()


def newest(person):
    return person.read().rpartition("\r")[2] or person.read()[-200:]


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_a_check_leads_through_its_steps_writes_its_sheet_and_comes_again_from_the_recording(plan, capsys):
    counts = stage_counts(plan, "swapped")
    said, code = checked(plan, counts, leave_out=("shunt LC-1",))
    assert code == EXIT_FINDINGS
    said = " ".join(said.split())
    live, _, sealed = said.partition("From the recording:")
    swapped = "DIFFERS: PT-11 against PT-21: swap differs: only the other channel rose"
    assert f"indicated: {swapped}" in live
    assert swapped in sealed
    campaign = plan.parent.parent
    (sheet,) = all_checks(campaign)
    assert sheet.rehearsal
    assert sheet.left_out == ("shunt LC-1",)
    assert {check.of.tag for check in sheet.of_kind("swap")} == {"PT-11", "PT-21"}
    pressures = {check.of.tag for check in sheet.of_kind("zero at ambient")}
    assert len(pressures) >= 4
    assert set(sheet.values) == {f"zero of {tag}" for tag in {"LC-1", *pressures}}
    taken = open_run(campaign / "runs" / sheet.journal)
    assert (taken.info.kind, len(taken.record.marks)) == ("bench", len(counts) - 1)
    # the terminal, the sheet and what is computed again say the same digits: all come from the recording
    assert {"alignment", "gauge span", "gauge zero"} <= {check.of.kind for check in sheet.check}
    assert all(" ".join(check.outcome.sentence.split()) in sealed for check in sheet.check)
    assert run(["check", str(plan), "--journal", str(taken.folder)]) == EXIT_FINDINGS
    again = " ".join(capsys.readouterr().out.split())
    differing = [check.outcome.sentence for check in sheet.check if check.outcome.says != "agrees"]
    assert differing
    assert all(sentence in again for sentence in differing)
    assert len(all_checks(campaign)) == 1
    for path in (campaign / "checks").iterdir():
        assert tomllib.loads(path.read_text("utf-8"))["plan"] == "HF-02"


def test_a_check_without_a_terminal_and_options_that_would_be_passed_over_are_refused(plan, capsys):
    assert run(["check", str(plan), "--port", "cradle-a=/dev/ttyUSB9"]) == EXIT_USAGE
    assert "no terminal" in capsys.readouterr().err
    assert run(["check", str(plan), "--journal", "x", "--rehearsal"]) == EXIT_USAGE
    assert "give no ports with it" in capsys.readouterr().err
    assert run(["rehearse", str(plan), "--check", "--fault", "no-such"]) == EXIT_USAGE
    assert "known are swapped" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("marks", "sentence"),
    [
        ((), "nothing was taken, so no sheet was written; the recording is kept in "),
        (
            ("alignment 0.5/0.2 deg",),
            "the vented step was not taken, so no sheet was written; the recording is kept in ",
        ),
    ],
)
def test_a_check_in_which_nothing_was_taken_writes_no_sheet_and_says_where_the_recording_is(
    plan, capsys, marks, sentence
):
    folder = bench_recording(plan.parent.parent, marks)
    assert run(["check", str(plan), "--journal", str(folder)]) == DataError.exit_code
    assert f"{sentence}{folder}" in " ".join(capsys.readouterr().err.split())
    assert not (plan.parent.parent / "checks").exists()


def bench_recording(campaign, marks):
    """Eight seconds of a board, each mark a step that was taken at their end."""
    folder = create_bench_run(
        campaign, "HF-02_check", ("cradle-a",), rehearsal=True, now=NOW, software="standbook test", free=plenty
    )
    Player(folder, fast_hello(interval=10_000)).play(plausible_counts(800)).write()
    at = MONOTONIC_NS + 7_500_000_000
    times = {"monotonic_ns": at, "boottime_ns": at, "wall_ns": at + WALL_NS - MONOTONIC_NS}
    lines = [{"n": n, "text": text, "key": STEP_KEY, "by": "test", **times} for n, text in enumerate(marks, start=1)]
    (folder / MARKS_FILE).write_text("".join(f"{json.dumps(line)}\n" for line in lines), encoding="utf-8")
    seal(folder)
    return folder


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ((' = "0.6 %"', ' = "0.6"'), "gauge_class"),
        (('gauge_class = "0.6 %"\n', ""), "gauge_class and gauge_range go together"),
        (('gauge_range = "60 bar(g)"', 'gauge_range = "60 bar(a)"'), "must be a gauge pressure"),
    ],
)
def test_a_stand_whose_means_of_checking_cannot_be_used_is_refused(plan, capsys, change, sentence):
    stand = plan.parent.parent / "stand.toml"
    stand.write_text(stand.read_text("utf-8").replace(*change), encoding="utf-8")
    assert run(["check", str(plan)]) != 0
    assert sentence in capsys.readouterr().err
