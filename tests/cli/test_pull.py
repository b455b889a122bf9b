"""``pull``: a sheet becomes a file that the analysis of a later firing uses."""

import datetime as dt
import json
import re

import pytest

from standbook.cli.main import run
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import EXIT_FINDINGS, ConfigError
from standbook.daq.run.lock import check_lock, lock_campaign, read_lock
from standbook.daq.stand_sheets.pull_file import newest_pulls, read_pull
from tests.cli.made_run import small_campaign, today
from tests.pull_sheets import FACTORS, pull_sheet


@pytest.fixture
def campaign(tmp_path):
    return small_campaign(tmp_path / "teasel-2")


def sheet_in(campaign, text, day=None):
    (campaign / "readings").mkdir(exist_ok=True)
    place = campaign / "readings" / f"LC-1_pull_{day or today()}.toml"
    place.write_text(text, encoding="utf-8")
    return place


def test_a_sheet_becomes_a_pull_whose_factor_follows_the_line_pressure(campaign, capsys):
    assert run(["pull", str(sheet_in(campaign, pull_sheet()))]) == 0
    said = capsys.readouterr().out
    assert "1.0080 +/- 0.0020 at 0 bar(g), 1.0143 +/- 0.0020 at 31 bar(g), up to 2,000 N" in said
    assert "+1.50" in said
    assert "Surely seen" in said
    found = newest_pulls(campaign, until=dt.date.max)["LC-1"]
    assert found.terms["stiffening"].endswith("/bar")
    assert len(found.points) == 22
    assert found.reference.serial == "RC-3"


def test_a_pull_with_lines_at_one_pressure_is_written_and_needs_review(campaign, capsys):
    assert run(["pull", str(sheet_in(campaign, pull_sheet(lines=(31.0,))))]) == EXIT_FINDINGS
    assert "does not show whether hoses stiffen" in capsys.readouterr().out
    assert (campaign / "pulls" / f"LC-1_{today()}.toml").exists()


def test_a_pull_is_never_written_over(campaign, capsys):
    sheet = sheet_in(campaign, pull_sheet())
    assert run(["pull", str(sheet)]) == 0
    before = (campaign / "pulls" / f"LC-1_{today()}.toml").read_bytes()
    assert run(["pull", str(sheet)]) == ConfigError.exit_code
    assert "exists already" in capsys.readouterr().err
    assert (campaign / "pulls" / f"LC-1_{today()}.toml").read_bytes() == before


REFUSED = {
    "no certificate_u": (lambda t: t.replace(', certificate_u = "0.2 %"', ""), "certificate_u: this key is missing"),
    "expired": (
        lambda t: t.replace('"0.2 %" }', '"0.2 %", valid_until = 2020-01-01 }'),
        "compare the reference first",
    ),
    "other serial": (lambda t: t.replace("LC-2207", "LC-9"), "correct the one that is not mounted"),
    "absolute line": (lambda t: t.replace("31.0 bar(g)", "31.0 bar(a)"), "must be a gauge pressure"),
    "other signal": (lambda t: t.replace("mV/V", "V/V"), "LC-1_r04 takes mV/V"),
    "mass for force": (lambda t: t.replace('"400 N"', '"40 kg"'), "is no force"),
    "reversed": (lambda t: re.sub(r'"(0\.\d+ mV/V")', r'"-\1', t), "reversed"),
    "a percent of reference": (lambda t: t.replace("0.2 %", "20 %"), "no reference's"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_a_sheet_that_says_something_wrong_is_refused_in_one_sentence(campaign, capsys, case):
    change, sentence = REFUSED[case]
    assert run(["pull", str(sheet_in(campaign, change(pull_sheet())))]) == ConfigError.exit_code
    told = capsys.readouterr().err
    assert sentence in told
    assert not (campaign / "pulls").exists()


def test_a_new_sheet_plans_two_runs_and_is_refused_until_it_is_taken(campaign, capsys):
    place = campaign / "readings" / f"LC-1_pull_{today()}.toml"
    assert run(["pull", "--new", str(place)]) == 0
    assert place.read_text("utf-8").count("[[run]]") == 2
    assert run(["pull", str(place)]) == ConfigError.exit_code
    assert "still to be taken" in capsys.readouterr().err


def test_a_lock_holds_the_newest_pull_and_notices_another(campaign):
    assert run(["pull", str(sheet_in(campaign, pull_sheet(), day=dt.date(2020, 1, 2)))]) == 0
    read = read_campaign(campaign / "plans" / "HF-02.toml", today=today())
    lock = read_lock(lock_campaign(read, None, now=dt.datetime.now(dt.UTC)))
    assert "pulls/LC-1_2020-01-02.toml" in lock.files
    assert check_lock(read) is not None
    assert run(["pull", str(sheet_in(campaign, pull_sheet()))]) == 0
    with pytest.raises(Exception, match=r"not in the lock.*lock --again"):
        check_lock(read)


def test_a_damaged_pull_is_named_with_its_key(campaign):
    assert run(["pull", str(sheet_in(campaign, pull_sheet()))]) == 0
    place = campaign / "pulls" / f"LC-1_{today()}.toml"
    place.write_text(place.read_text("utf-8").replace("RC-3", ""), encoding="utf-8")
    with pytest.raises(Exception, match=r"reference\.serial"):
        read_pull(place)


def test_the_terms_of_a_file_come_again_from_its_points(campaign):
    from standbook.analysis.calibration.pull_fit import fit_of_pull
    from standbook.daq.config.calibration import read_calibration

    assert run(["pull", str(sheet_in(campaign, pull_sheet(noise=2.0)))]) == 0
    pull = newest_pulls(campaign, until=dt.date.max)["LC-1"]
    fit = fit_of_pull(pull, read_calibration(campaign / "calibrations" / f"{pull.calibration}.toml"))
    assert json.loads(json.dumps(fit.covariance.tolist())) == [list(row) for row in pull.covariance]
    assert fit.of("gain")[0] == pytest.approx(1 / FACTORS[0], rel=2e-3)
