"""Lines of simulated boards in the dialects that boards print: what is told of them; the table records them."""

import re
import tomllib
from functools import reduce
from operator import xor

import numpy as np
import pytest

from standbook.daq.config.stand import Device
from standbook.daq.recovery.device_stream import PortOpening
from standbook.daq.survey.line_survey import survey_lines
from standbook.daq.wire.text_lines import LineDecoder, LineLayout

RATE = 80.0  # lines a second
LINES = 400


def checked(line):
    return f"{line}*{reduce(xor, line.encode(), 0):02X}"


def rows(count=LINES, drift=1.0008):
    """Row number, clock in microseconds, two readings: a row now and then is a millisecond late."""
    rng = np.random.default_rng(20310614)
    for k in range(count):
        late = 1000 if rng.random() < 0.05 else 0
        yield 100 + k, round(5e6 + drift * 1e6 * k / RATE) + late, 512.0 + rng.normal(0, 2), 23.4 + rng.normal(0, 0.05)


def opening(lines, end="\n"):
    text = [f"cut off{end}", *(f"{line}{end}" for line in lines)]
    arrivals = [1e9 * (10.0 + k / RATE) for k in range(len(text))]
    ends = np.cumsum([len(piece.encode()) for piece in text])
    return PortOpening("".join(text).encode(), ends.astype(np.int64), np.array(arrivals).astype(np.int64))


DIALECTS = {
    "comma": lambda n, t, a, b: f"{n},{t},{a:.2f},{b:.1f}",
    "blank": lambda n, t, a, b: f"{n}  {t} {a:.2f} {b:.1f}",
    "tab": lambda n, t, a, b: f"{n}\t{t}\t{a:.2f}\t{b:.1f}",
    "semicolon": lambda n, t, a, b: f"{n}; {t}; {a:.2f}; {b:.1f}",
    "decimal comma": lambda n, t, a, b: f"{n};{t};{a:.2f};{b:.1f}".replace(".", ","),
    "label=value": lambda n, t, a, b: f"n={n}, t={t}, P={a:.2f}, T={b:.1f}",
    "label: value": lambda n, t, a, b: f"n: {n} t: {t} P: {a:.2f} T: {b:.1f}",
    "checksum": lambda n, t, a, b: checked(f"{n},{t},{a:.2f},{b:.1f}"),
}


def pasted(survey):
    """Return the device that the printed table gives, as a stand reads it."""
    (table,) = tomllib.loads("\n".join(survey.table("/dev/ttyUSB0", 115200)))["device"]
    return Device.model_validate(table)


@pytest.mark.parametrize("dialect", DIALECTS)
def test_a_dialect_gives_a_table_that_reads_every_line(dialect):
    heard = opening([DIALECTS[dialect](*row) for row in rows()], end="\r\n" if dialect == "tab" else "\n")
    survey = survey_lines(heard, LINES / RATE)
    layout = LineLayout(**pasted(survey).text_lines.model_dump())
    found = LineDecoder(layout).feed(heard.stream)
    assert len(found.values) == LINES
    assert found.damaged_lines == 0
    expected = [[float(f"{n}"), float(t), float(f"{a:.2f}"), float(f"{b:.1f}")] for n, t, a, b in rows()]
    assert found.values.tolist() == expected
    assert (layout.counter, layout.clock, layout.clock_hz) == (layout.columns[0], layout.columns[1], 1e6)
    assert survey.rate == pytest.approx(RATE, rel=0.01)
    assert f"{LINES:,} lines in 5.0 s" in survey.sentences()[0]


def test_labels_name_the_columns():
    survey = survey_lines(opening([DIALECTS["label=value"](*row) for row in rows()]), 5.0)
    assert survey.layout.columns == ("n", "t", "P", "T")
    assert survey.layout.labels == ("n=", "t=", "P=", "T=")
    assert "a label before each number" in survey.sentences()[0]


def test_one_number_a_line_is_a_table_without_a_clock_and_says_so():
    survey = survey_lines(opening([f"{a:.2f}" for _, _, a, _ in rows()]), 5.0)
    device = pasted(survey)
    assert (device.text_lines.columns, device.text_lines.clock) == (("c1",), None)
    assert any("no column is its clock" in sentence for sentence in survey.sentences())


def test_names_that_the_board_prints_are_taken_and_a_constant_is_a_boot_only_by_its_name():
    lines = [f"{7},{n},{t},{a:.1f},{41}" for n, t, a, _ in rows()]
    survey = survey_lines(opening(["# boot,row,us,adc0,adc1", *lines]), 5.0)
    assert survey.layout.columns == ("boot", "row", "us", "adc0", "adc1")
    assert survey.layout.boot == "boot"
    assert survey_lines(opening(lines), 5.0).layout.boot is None


def test_rows_that_a_counter_leaves_out_are_counted():
    lines = [DIALECTS["comma"](*row) for row in rows()]
    del lines[50:53]
    survey = survey_lines(opening(lines), 5.0)
    assert survey.counters[0].lost_rows == 3
    assert "3 rows are missing by it" in " ".join(survey.sentences())


def test_of_two_columns_that_count_the_one_that_is_named_so_is_taken():
    lines = [f"{n},{n + 5},{t}" for n, t, *_ in rows()]
    survey = survey_lines(opening(lines), 5.0)
    assert survey.layout.counter is None
    assert "more than one column may count rows" in " ".join(survey.sentences())
    assert survey_lines(opening(["adc0,row,us", *lines]), 5.0).layout.counter == "row"


@pytest.mark.parametrize(("unit", "hz"), [(1.0, 1), (1e3, 1000), (1e6, 1000000)])
def test_the_clocks_unit_is_told_by_its_rate_against_the_arrivals(unit, hz):
    lines = [f"{unit * k / RATE:.3f},{512 + k % 7}" for k in range(LINES)]
    survey = survey_lines(opening(lines), 5.0)
    assert survey.layout.clock_hz == hz
    assert f"clock_hz = {hz}" in survey.table("/dev/ttyUSB0", 9600)


def test_a_clock_that_rolls_over_has_its_modulus():
    lines = [f"{(60_000 + round(1e3 * k / RATE)) % 65536},{512 + k % 7}" for k in range(LINES + 200)]
    (clock,) = survey_lines(opening(lines), 7.5).clocks
    assert (clock.modulus, clock.unit_rate) == (65536, 1e3)
    assert clock.per_second == pytest.approx(1e3, rel=1e-3)


def test_of_two_clocks_none_is_chosen_and_both_are_named():
    lines = [f"{1e3 * k / RATE:.0f},{1e6 * k / RATE:.0f},{512 + k % 7}" for k in range(LINES)]
    survey = survey_lines(opening(lines), 5.0)
    assert survey.layout.clock is None
    assert [clock.unit_rate for clock in survey.clocks] == [1e3, 1e6]
    assert sum("may be its clock" in line for line in survey.table("p", 9600)) == 2
    assert "none is chosen" in " ".join(survey.sentences())


def test_a_counter_at_a_thousand_rows_a_second_is_no_second_clock():
    text = [f"{k},{1000 * k + k % 3},{512 + k % 7}" for k in range(2000)]
    heard = opening(text)
    heard = PortOpening(heard.stream, heard.chunk_end, (1e9 * np.arange(2001) / 1000.0).astype(np.int64))
    survey = survey_lines(heard, 2.0)
    assert (survey.layout.counter, survey.layout.clock) == ("c1", "c2")


def test_other_lines_are_stated_with_their_share():
    lines = [DIALECTS["comma"](*row) for row in rows()]
    lines[10:10] = ["heater on"] * 40
    survey = survey_lines(opening(lines), 5.0)
    assert "9.1 % of the lines are other" in survey.sentences()[0].replace("9.1%", "9.1 %")


def test_a_clock_whose_rate_fits_no_unit_is_none():
    lines = [f"{round(7e3 * k / RATE)},{512 + k % 7}" for k in range(LINES)]
    assert survey_lines(opening(lines), 5.0).clocks == ()


def test_too_few_lines_and_prose_give_no_table():
    few = survey_lines(opening(["1,2"] * 10), 1.0)
    assert few.table("p", 9600) == ()
    assert "too few to tell" in few.sentences()[0]
    prose = survey_lines(opening(["ready to go", "waiting for a card"] * 20), 1.0)
    assert prose.table("p", 9600) == ()
    assert "not rows of numbers" in prose.sentences()[0]
    assert survey_lines(PortOpening(b"", np.empty(0, np.int64), np.empty(0, np.int64)), 1.0).lines == 0


def test_the_result_as_plain_data_holds_what_the_sentences_say():
    told = survey_lines(opening([DIALECTS["tab"](*row) for row in rows()]), 5.0).to_json()
    assert told["separator"] == "\t"
    assert told["counters"] == [{"column": "c1", "by_one": LINES - 1, "steps": LINES - 1, "lost_rows": 0}]
    assert re.fullmatch(r"100\t\d+\t[\d.]+\t[\d.]+", told["example"])
    assert told["clocks"][0]["clock_hz"] == 1e6
