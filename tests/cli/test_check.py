"""``check`` on a real pseudo-terminal: a person vents, pressurises, pushes, hangs a weight, one key each."""

import re
import tomllib

import numpy as np
import pytest

from standbook.cli.main import run
from standbook.cli.rehearse_check import check_tables
from standbook.daq.errors import EXIT_FINDINGS, EXIT_USAGE
from standbook.daq.rehearsal.played_levels import HOLD, ROWS_A_SECOND
from standbook.daq.run.run_folder import open_run
from standbook.daq.stand_sheets.check_file import all_checks
from tests.bench_board import BenchBoard, take
from tests.cli.made_run import ended, small_campaign, standbook
from tests.cli.test_live_record import Person

KEYS = {"alignment": b"0.5/0.2 ", "sag": b"2 "}
KEYS |= {f"{way} {tank}": keys for tank in ("oxidiser", "fuel") for way, keys in (("low", b"3 "), ("tank", b"30 "))}


@pytest.fixture
def plan(tmp_path):
    campaign = small_campaign(tmp_path)
    return campaign / "plans" / "HF-02.toml"


def stage_counts(plan, fault=""):
    """Counts of the only board at the end of every step, by its name."""
    (table,), typed = check_tables(plan, 1, fault)
    (stream,) = table.streams
    at = [round((HOLD * (place + 1) - 1.0) * ROWS_A_SECOND) for place in range(len(typed))]
    return {line.partition(":")[0]: stream.counts[row].astype(np.float64) for line, row in zip(typed, at, strict=True)}


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
    assert set(sheet.values) == {"zero of LC-1"}
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
