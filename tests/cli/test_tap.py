"""``tap`` on a real pseudo-terminal: a person taps a stand that rings, then bolts ten kilograms on."""

import datetime as dt
import math

import pytest

from standbook.cli.main import run
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.stand import read_stand
from standbook.daq.errors import EXIT_FINDINGS, EXIT_USAGE, ConfigError, DataError
from standbook.daq.run.lock import lock_campaign, read_lock
from standbook.daq.stand_sheets.tap_file import newest_taps, read_taps, tapped
from tests.bench_board import TAPPED_EVERY, BenchBoard
from tests.cli.made_run import ended, small_campaign, standbook, today, until
from tests.cli.test_live_record import Person

BARE, MASS, ADDED = 11.0, 75.0, 10.0
TAPS = 6
FILE = """\
date = 2020-01-02
tag = "LC-1"
journal = "2020-01-02_LC-1_taps"
tanks = "full, water"
moving_mass = "75.0 +/- 1.8 kg"
[[state]]
added = "0 kg"
taps = 10
modes = [{ frequency = "41.30 +/- 0.04 Hz", damping = "2.1 +/- 0.1 %" }]
"""


@pytest.fixture
def plan(tmp_path):
    return small_campaign(tmp_path) / "plans" / "HF-02.toml"


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_taps_are_recorded_fitted_written_and_fitted_again_to_the_digit(plan, capsys):
    person = Person()
    ends = dict.fromkeys(("stdin", "stdout", "stderr"), person.slave)
    options = ("--tanks", "full, water", "--added", f"{ADDED:.2f} +/- 0.01 kg")
    try:
        with BenchBoard().running() as board:
            asked = ("tap", plan, *options, "--rehearsal", "--port", f"cradle-a={board.port}")
            process = standbook(*asked, **ends, **person.foreground())
            with ended(process):
                for added in (0.0, ADDED):
                    name = f"taps with {added:g} kg"
                    board.rings = (40_000.0, BARE * math.sqrt(MASS / (MASS + added)), 0.03)
                    if added:
                        person.until(r"2/3 bolted 10 kg: LC-1 -?\d+ N, stands")
                        person.press(b" ")
                    person.until(rf"\d/3 {name}: LC-1 -?\d+ N, stands")
                    until_taps(board)
                    person.press(b" ")
                    person.until(rf"taken: {name}")
                assert process.wait() in (0, EXIT_FINDINGS), person.read()
        said = " ".join(person.read().split())
    finally:
        person.leave()
        person.join()
    assert "Mode 1: 11.0" in said
    campaign = plan.parent.parent
    place = campaign / "taps" / f"{today()}.toml"
    found = read_taps(place)
    assert found.rehearsal
    assert found.moving_mass.value == pytest.approx(MASS, abs=3.0 * found.moving_mass.u)
    assert newest_taps(campaign) is None  # practised taps are no evidence
    journal = campaign / "runs" / found.journal
    assert run(["tap", str(plan), *options, "--journal", str(journal)]) in (0, EXIT_FINDINGS)
    again = capsys.readouterr().out
    assert all(f"Mode 1: {mode.frequency.value:.2f}" in again for mode in found.state[0].modes[:1])
    assert run(["tap", str(plan), *options[:2], "--journal", str(journal)]) == DataError.exit_code
    assert "2 of 1 masses" in capsys.readouterr().err


def until_taps(board):
    """Wait until the board was tapped often enough since now."""
    begun = board.rows
    until(lambda: board.rows - begun > TAPS * TAPPED_EVERY * 100, "some taps")


def test_the_newest_test_with_full_tanks_takes_the_place_of_the_typed_modes_and_is_locked(plan):
    campaign = plan.parent.parent
    (campaign / "taps").mkdir()
    (campaign / "taps" / "2020-01-02.toml").write_text(FILE, encoding="utf-8")
    (campaign / "taps" / "2020-01-03.toml").write_text(
        FILE.replace("2020-01-02", "2020-01-03").replace("full, water", "empty"), encoding="utf-8"
    )
    path, taps = newest_taps(campaign)
    assert path.stem == "2020-01-02"
    stand = tapped(read_stand(campaign / "stand.toml"), taps)
    assert (stand.modes[0].value, stand.moving_mass.u) == (41.3, 1.8)
    read = read_campaign(plan, today=today())
    lock = read_lock(lock_campaign(read, None, now=dt.datetime.now(dt.UTC)))
    assert "taps/2020-01-02.toml" in lock.files


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (('"0 kg"', '"5 kg"'), "with nothing added"),
        (("41.30 +/- 0.04 Hz", "41.3"), "has no unit"),
        (("2020-01-02\n", "2020-01-05\n"), "its name says another day"),
    ],
)
def test_a_file_of_taps_that_says_something_wrong_is_refused(plan, change, sentence):
    place = plan.parent.parent / "2020-01-02.toml"
    place.write_text(FILE.replace(*change, 1), encoding="utf-8")
    with pytest.raises(ConfigError, match=sentence):
        read_taps(place)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (["--added", "10"], "--added"),
        (["--added", "0 kg"], "more than zero"),
        (["--journal", "x", "--rehearsal"], "give no ports"),
        ([], "no terminal"),
    ],
)
def test_options_that_cannot_be_meant_are_refused(plan, capsys, options, sentence):
    assert run(["tap", str(plan), "--tanks", "full", "--port", "cradle-a=x", *options]) == EXIT_USAGE
    assert sentence in capsys.readouterr().err
