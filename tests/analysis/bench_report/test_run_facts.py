"""A sealed bench run, from its files to facts, sentences and the page."""

import html
import re

import pytest

from standbook.analysis.bench_report.page import MOST_COLUMNS, next_lines
from standbook.analysis.bench_report.run_facts import bench_facts
from standbook.analysis.bench_report.write import write_bench_report
from standbook.cli.main import run as command
from standbook.daq.errors import DataError
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from tests.analysis.bench_report.bench_run import framed_run, lined_run, printed, wide
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts

PLAIN = re.compile(r"<[^>]*>")


def page_text(run):
    path, _ = write_bench_report(run)
    body = path.read_text(encoding="utf-8").partition("</style>")[2]
    return " ".join(html.unescape(PLAIN.sub(" ", body)).replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def framed(tmp_path_factory):
    return framed_run(tmp_path_factory.mktemp("framed") / "bench", drop=(150,), ppm=120.0)


@pytest.fixture(scope="module")
def lined(tmp_path_factory):
    return lined_run(tmp_path_factory.mktemp("lined") / "bench", printed(800, lost={200, 201, 202, 500}))


def test_a_run_is_named_by_its_day_and_number(framed):
    assert framed.name == "2031-06-14_bench-1"


def test_rows_rate_and_gap_of_a_framed_board_are_counted(framed):
    facts = bench_facts(open_run(framed))
    (stream,) = facts.streams
    assert (stream.rows, stream.lost_rows, stream.gaps, stream.is_counted) == (3990, 10, 1, True)
    assert stream.longest_gap == pytest.approx(0.011, abs=0.0011)  # ten rows, and the step to the next
    assert abs(stream.rate.value - 1000.0 * (1.0 + 120e-6)) < 3.0 * stream.rate.u
    assert (stream.scatter.value, stream.is_even) == (0.0, True)


def test_what_a_column_does_is_said_worst_first(framed):
    facts = bench_facts(open_run(framed))
    assert [column.tag for column in facts.columns] == ["adc2", "adc0", "adc1", "adc3"]
    assert facts.remarks == ("adc2: stuck: 32,767 counts, its rail, in all 3,990 rows",)
    ringing = next(column for column in facts.columns if column.tag == "adc1")
    assert ringing.peaks[0].frequency == pytest.approx(50.0, abs=0.5)
    still = next(column for column in facts.columns if column.tag == "adc3")
    # Rounding to whole counts adds a twelfth of a count squared: 2.02 for 2.00.
    assert still.noise.value == pytest.approx((2.0**2 + 1.0 / 12.0) ** 0.5, abs=4.0 * still.noise.u)


def test_the_page_carries_units_uncertainties_and_no_script(framed):
    text = page_text(framed)
    assert "10 rows in 1 gap, 0.25 %, counted by the board" in text
    assert re.search(r"1,000\.\d+ \(u = 0\.\d+\) rows a second", text)
    assert re.search(r"ppm against this computer, by arrivals alone", text)
    assert "all 1 ms by the board's clock: it counts its rows and does not time each" in text
    assert "commands nothing and protects nobody" in text
    assert "not for signature" in text
    page = (framed / "analysis/report_bench.html").read_text(encoding="utf-8")
    assert "<script" not in page
    assert page.count("<svg") == 2 * 3


def test_printed_numbers_stay_as_printed_with_lines_lost_by_their_counter(lined):
    facts = bench_facts(open_run(lined))
    (stream,) = facts.streams
    assert (stream.rows, stream.lost_rows, stream.gaps) == (
        795,
        4,
        2,
    )  # the first line may have been cut, and is not read
    value, still = sorted(stream.columns, key=lambda column: column.tag)
    assert (value.unit, value.least_step) == ("as printed", pytest.approx(0.1))
    assert value.mean.value == pytest.approx(23.0, abs=4.0 * value.mean.u)
    assert still.is_stuck
    assert facts.remarks == ("c4: stuck: 77 as printed, in all 795 rows",)
    assert "77 does not move" in page_text(lined)


def test_a_board_without_a_clock_says_that_rows_are_timed_by_arrival(tmp_path):
    run = lined_run(tmp_path / "bench", printed(400, clock=False))
    (stream,) = bench_facts(open_run(run)).streams
    assert (stream.by_arrival, stream.is_counted) == (True, True)
    text = page_text(run)
    assert "by their arrival at this computer" in text
    assert "none is printed: nothing tells how rows lie between arrivals" in text


def test_a_few_rows_give_a_page_that_says_so(tmp_path):
    run = framed_run(tmp_path / "bench", seconds=0.02)
    text = page_text(run)
    assert "-- (too few rows)" in text
    assert "-- (too few arrivals to say; record for longer)" in text


@pytest.mark.slow
def test_columns_beyond_the_table_are_named(tmp_path):
    run = lined_run(tmp_path / "bench", wide(MOST_COLUMNS + 2))
    assert "Not in these tables: c14 (moves), c15 (moves)." in page_text(run)


@pytest.mark.slow
def test_the_same_run_gives_the_same_page(framed):
    path, _ = write_bench_report(framed)
    first = path.read_bytes()
    write_bench_report(framed)
    assert path.read_bytes() == first


def test_next_lines_name_a_column_that_needs_no_look(framed):
    lines = next_lines(bench_facts(open_run(framed)), "bench/runs/x", "bench")
    assert lines[1] == "standbook calibrate bench/readings/adc0_2031-06-14.toml --new"
    assert lines[2].endswith("--from bench/runs/x")


def test_a_run_with_a_plan_has_another_report(tmp_path):
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(50)).write()
    seal(run)
    with pytest.raises(DataError, match="plan of its own"):
        bench_facts(open_run(run))


def said(capsys, *arguments, code):
    capsys.readouterr()
    assert command([str(argument) for argument in arguments]) == code
    return capsys.readouterr()


def test_report_writes_the_bench_report_again_and_never_one_to_sign(framed, capsys):
    assert "report_bench.html" in said(capsys, "report", framed, code=0).out
    for option in (("--for-signature",), ("--revision", "A"), ("--vouched-by", "DAQ")):
        assert "recorded without a plan" in said(capsys, "report", framed, *option, code=6).err
    assert "no redacted copy" in said(capsys, "report", framed, "--redacted", code=6).err


def test_a_bench_run_is_no_test_and_bounds_no_load(framed, tmp_path, capsys):
    assert "bench is recorded but not analysed" in said(capsys, "analyse", framed, code=7).err
    campaign = framed.parents[1]
    assert "1 rehearsals or recordings without a plan not shown" in said(capsys, "runs", campaign, code=0).out
    assert "0 runs of tests" in said(capsys, "campaign", campaign, code=0).out
    said(capsys, "new", tmp_path / "teasel-2", code=0)
    plan = tmp_path / "teasel-2/plans/HF-02.toml"
    assert "not analysed" in said(capsys, "next-load", plan, "--from", framed, code=6).err


def test_a_run_without_any_calibration_is_not_exported_as_readings(framed, tmp_path, capsys):
    err = said(capsys, "export", framed, "--to", tmp_path / "exports", code=7).err
    assert "no channel of it has a calibration; its counts stand in its samples folder" in err
