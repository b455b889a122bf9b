import datetime as dt
import re
import shutil

import numpy as np
import pyarrow.parquet as pq
import pytest

from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.other_recorders.import_csv import import_csv
from standbook.daq.run.lock import lock_campaign
from standbook.daq.run.run_folder import open_run
from tests.recorded_run import TODAY, starter

START = dt.datetime(2031, 6, 14, 9, 58, tzinfo=dt.UTC)
NOW = START + dt.timedelta(hours=3)
MAPPING = """start = 2031-06-14T09:58:00Z
clock = "t"
clock_unit = "us"
clock_modulus = 4294967296
t_zero = "FIRE rising 0.5"
[columns]
"P_ox" = "PT-11 bar(g)"
"Thrust" = "LC-1 lbf +/- 0.5 %"
"""
ROWS = 200


def table(*, first=4_294_000_000, step=10_000, modulus=2**32, separator=",", decimal=".", rows=ROWS, skip=()):
    lines = [separator.join(("t", "P_ox", "Thrust", "FIRE", "spare"))]
    for k in range(rows):
        if k not in skip:
            values = f"{31 - 0.05 * k:.3f}", f"{500 - k:.2f}", str(int(k >= 50))
            cells = [str((first + k * step) % modulus), *values, "x"]
            lines.append(separator.join(cell.replace(".", decimal) for cell in cells))
    return "\n".join(lines) + "\n"


class Files:
    """A campaign with a CSV and a mapping beside it."""

    def __init__(self, folder):
        self.campaign = starter(folder)
        self.csv, self.mapping = folder / "log.csv", folder / "map.toml"
        self.csv.write_text(table())
        self.mapping.write_text(MAPPING)

    def run(self, **options):
        return import_csv(self.csv, self.mapping, self.campaign, now=NOW, software="standbook test", **options)

    def imported(self):
        folder, summary = self.run()
        return open_run(folder), summary


@pytest.fixture
def files(tmp_path):
    return Files(tmp_path)


def test_imported_values_read_back_exactly_with_unit_reference_and_time(files):
    run, summary = files.imported()
    assert run.folder.name == "2031-06-14_HF-02"
    assert run.info.source == "imported"
    rows = run.stream("imported", "csv")
    k = np.arange(ROWS)
    reading = run.calibrations["PT-11"].reading(rows.counts["PT-11"].astype(float))
    assert np.abs(reading - (31 - 0.05 * k)).max() < 1e-12
    assert run.calibrations["PT-11"].reference == "gauge"
    assert (run.calibrations["LC-1"].reading_unit, run.calibrations["LC-1"].name) == ("lbf", "LC-1_imported")
    assert np.array_equal(rows.host_ns, int(START.timestamp()) * 10**9 + 10_000_000 * k)  # over the rollover too
    assert summary.t_zero.host_ns - rows.host_ns[0] == pytest.approx(0.495e9, abs=1)
    assert summary.t_zero.u_s == pytest.approx(0.010 / 12**0.5)
    assert any("rolled over 1 time" in note.text for note in summary.devices["imported"].notes)


def test_how_good_the_values_are_comes_from_the_mapping_or_the_sensors_calibration(files):
    run, _ = files.imported()
    base = files.campaign.calibrations
    assert run.calibrations["LC-1"].reference_uncertainty.value == pytest.approx(0.005)
    assert run.calibrations["PT-11"].reference_uncertainty == base["PT-11"].reference_uncertainty
    assert run.calibrations["PT-11"].highest == 60.0
    # The zero uncertainty is stated in N, the values are in lbf: 2.0 N / 4.4482216152605 N (exact by definition).
    assert run.calibrations["LC-1"].zero_uncertainty == pytest.approx(2.0 / 4.4482216152605)
    with pytest.raises(RecordError, match="calibrated by another logger"):
        run.for_counts(base["PT-11"])


def test_the_samples_file_of_an_import_is_like_any_other(files):
    run, _ = files.imported()
    read = pq.read_table(run.folder / "samples" / "imported_csv.parquet")
    assert read["PT-11"].to_pylist()[:3] == [31.0, 30.95, 30.9]
    assert read["PT-11.counts"].to_pylist()[:3] == [3100, 3095, 3090]
    field = read.schema.field("PT-11")
    assert field.metadata[b"unit"] == b"bar(g)"
    assert field.metadata[b"reference"] == b"gauge"


def test_source_and_mapping_are_kept_and_a_flipped_bit_in_them_is_seen(files):
    run, _ = files.imported()
    kept = run.folder / "raw" / "log.csv"
    assert kept.read_bytes() == files.csv.read_bytes()
    content = bytearray(kept.read_bytes())
    content[100] ^= 1
    kept.write_bytes(content)
    with pytest.raises(RecordError, match=r"raw/log\.csv has changed"):
        open_run(run.folder)


def test_semicolons_and_decimal_commas_import_to_the_same_counts(files):
    expected, _ = files.imported()
    other = Files(files.csv.parent / "second")
    other.csv.write_text("logger 3\n" + table(separator=";", decimal=","))
    other.mapping.write_text('separator = ";"\ndecimal = ","\nskip_lines = 1\n' + MAPPING)
    run, _ = other.imported()
    a, b = (r.stream("imported", "csv").counts for r in (expected, run))
    assert {tag: v.tolist() for tag, v in a.items()} == {tag: v.tolist() for tag, v in b.items()}


def test_a_point_beside_decimal_commas_is_not_guessed(files):
    files.csv.write_text(table(separator=";", decimal=",").replace("30,950", "1.234"))
    files.mapping.write_text('separator = ";"\ndecimal = ","\n' + MAPPING)
    with pytest.raises(DataError, match=r'line 3: column "P_ox": "1\.234" is not a number'):
        files.run()


def test_ctrl_c_while_importing_leaves_no_half_run(files, monkeypatch):
    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("standbook.daq.other_recorders.import_csv.write_sealed_run", stop)
    with pytest.raises(KeyboardInterrupt):
        files.run()
    assert list((files.campaign.folder / "runs").iterdir()) == []


def test_missing_rows_show_as_an_estimated_gap(files):
    files.csv.write_text(table(skip=range(60, 70)))
    _, summary = files.imported()
    (gap,) = summary.devices["imported"].streams["csv"].gaps
    assert (gap.rows, gap.exact, gap.reason) == (10, False, "clock step without rows")
    assert gap.end_ns - gap.start_ns == 100_000_000


def test_a_stated_instant_is_t_zero_with_its_uncertainty(files):
    files.csv.write_text(table(first=1_000_000))
    files.mapping.write_text(MAPPING.replace('"FIRE rising 0.5"', '"1.340 +/- 0.005 s"'))
    run, summary = files.imported()
    assert summary.t_zero.host_ns - run.stream("imported", "csv").host_ns[0] == 340_000_000
    assert summary.t_zero.u_s == 0.005


@pytest.mark.parametrize(("days", "status"), [(-1, "locked"), (1, "postdiction")])
def test_without_t_zero_there_is_none_and_a_lock_counts_when_it_is_older_than_the_run(files, days, status):
    lock_campaign(files.campaign, {"a": 1}, now=START + dt.timedelta(days=days))
    files.mapping.write_text(MAPPING.replace('t_zero = "FIRE rising 0.5"\n', ""))
    run, summary = files.imported()
    assert (summary.t_zero, summary.t_zero_missing) == (None, "the mapping names no t_zero")
    assert run.prediction_status == status


@pytest.mark.parametrize(("locked", "status"), [(-1, "locked"), (1, "postdiction")])
def test_a_lock_counts_only_when_it_is_older_than_the_imported_run(files, locked, status):
    lock_campaign(files.campaign, {"a": 1}, now=START + dt.timedelta(minutes=locked))
    run, _ = files.imported()
    assert run.prediction_status == status
    assert run.prediction == {"a": 1}


def test_a_made_up_file_can_be_imported_as_a_rehearsal_only_by_name(files):
    folder, _ = files.run(rehearsal=True)
    assert open_run(folder).info.rehearsal
    assert folder.name == "2031-06-14_HF-02_rehearsal"


def edit_csv(old, new):
    return lambda files: files.csv.write_text(files.csv.read_text().replace(old, new, 1))


def edit_map(old, new):
    return lambda files: files.mapping.write_text(files.mapping.read_text().replace(old, new, 1))


PT_11, FIRE = '"PT-11 bar(g)"', '"FIRE rising 0.5"'
BAD = [
    (edit_map('"P_ox" =', '"P_lox" ='), ConfigError, 'no column "P_lox"; the file has t, P_ox, Thrust, FIRE, spare'),
    (edit_map('clock = "t"', 'clock = "time"'), ConfigError, 'no column "time"; the file has t, P_ox'),
    (edit_map('"FIRE rising', '"KEY rising'), ConfigError, 'no column "KEY"'),
    (
        edit_map("start", 'separator = ";"\nstart'),
        ConfigError,
        'only one column found with separator ";"; its first line looks separated by a comma',
    ),
    (lambda f: f.csv.write_text("just\n1\n2\n"), ConfigError, 'only one column found with separator ","; correct'),
    (edit_csv("P_ox", "Thrust"), ConfigError, 'no column "P_ox"'),
    (edit_csv("spare", "Thrust"), ConfigError, 'two columns are called "Thrust"'),
    (
        edit_csv("4294020000", "4293020000"),
        DataError,
        'line 4: time runs backwards: "t" goes from 4294010000 to 4293020000 us; if the clock rolled over',
    ),
    (edit_csv("30.950", "30,950"), DataError, "line 3: 6 cells, the header has 5"),
    (edit_csv("30.950", "n/a"), DataError, 'line 3: column "P_ox": "n/a" is not a number; repair'),
    (edit_csv("30.950", "3_0"), DataError, 'line 3: column "P_ox": "3_0" is not a number'),
    (edit_map("4294967296", "4294000001"), ConfigError, 'line 3: "t" reads 4294010000 us, not from 0 to below'),
    (edit_csv("30.950", "OL"), DataError, 'line 3: column "P_ox": "OL" is not a number'),
    (
        lambda f: f.csv.write_text(re.sub(r"(?m)^(\d+),[^,]*,(.*[13579]\.\d\d,.*)$", r"\1,,\2", table())),
        DataError,
        'column "P_ox" has no value in 100 of 200 rows; leave it out of the mapping, or export all columns at one rate',
    ),
    (edit_csv("4294010000", "09:58:00.01"), DataError, "a time of day is not read: export seconds or milliseconds"),
    (edit_csv("4294000000,31.000", "us,bar"), DataError, "remove a line of units below the names"),
    (edit_map(PT_11, '"PT-11 bar"'), ConfigError, 'column "P_ox": "bar" does not say which pressure; write bar(a)'),
    (edit_map(PT_11, '"PT-11 furlong"'), ConfigError, "column \"P_ox\": unknown unit 'furlong'"),
    (edit_map(PT_11, '"PT-11"'), ConfigError, 'column "P_ox": "PT-11" is not understood; write a tag and a unit'),
    (edit_map(PT_11, '"PT-99 bar(g)"'), ConfigError, "names unknown tag PT-99; the stand has LC-1, PT-11"),
    (edit_map(PT_11, '"PT-11 degC"'), ConfigError, "is in degC, but PT-11 is calibrated in bar(g)"),
    (edit_map(PT_11, '"LC-1 N"'), ConfigError, "two columns are mapped to LC-1"),
    (edit_map(PT_11, '"PT-11 bar(g) +/- 3 bar"'), ConfigError, 'column "P_ox": unknown unit'),
    (edit_map("Z\n", "\n"), ConfigError, "has no time zone"),
    (edit_map("2031-06-14", "2032-06-14"), ConfigError, "lies in the future"),
    (edit_map(FIRE, '"soon"'), ConfigError, 't_zero "soon" is not understood'),
    (edit_map(FIRE, '"4300 s"'), ConfigError, "has no uncertainty"),
    (edit_map(FIRE, '"1 +/- 0.1 s"'), ConfigError, "t_zero 1 +/- 0.1 s lies outside the file"),
    (edit_map("FIRE rising 0.5", "FIRE falling 0.5"), DataError, 'column "FIRE" never crosses 0.5 falling'),
    (edit_map("4294967296", "4294967295.5"), ConfigError, "is no multiple of the clock's step"),
    (edit_map('clock = "t"', 'clock = "P_ox"'), ConfigError, 'the clock column "P_ox" cannot be a channel too'),
    (edit_map("start", 'decimal = ","\nstart'), ConfigError, 'separator and decimal are both ","'),
    (lambda f: f.csv.write_text(""), DataError, "empty; nothing to import"),
    (lambda f: f.csv.write_text("t,P_ox,Thrust,FIRE\n1,2,3,0\n"), DataError, "1 rows below the header"),
    (lambda f: f.csv.write_text("t,P_ox,Thrust,FIRE\n1,2,3,0\n1,2,3,1\n"), DataError, "never changes"),
    (lambda f: f.csv.unlink(), RecordError, "log.csv: cannot be read"),
    (lambda f: f.mapping.unlink(), ConfigError, "map.toml: no such file"),
]


@pytest.mark.parametrize(("spoil", "kind", "sentence"), BAD, ids=[sentence for _, _, sentence in BAD])
def test_bad_input_is_one_sentence_and_leaves_nothing(files, spoil, kind, sentence):
    spoil(files)
    with pytest.raises(kind, match=re.escape(sentence)):
        files.run()
    assert not list((files.campaign.folder / "runs").glob("*"))


def test_an_unmapped_uncertainty_must_be_stated_where_no_calibration_is(files):
    plan = files.campaign.plan_path
    plan.write_text(plan.read_text().replace('"TC-11_r01"', "").replace(", ,", ",").replace(",\n    ,", ","))
    campaign = read_campaign(plan, today=TODAY)
    assert "TC-11" not in campaign.calibrations
    files.campaign = campaign
    files.mapping.write_text(MAPPING.replace('"PT-11 bar(g)"', '"TC-11 degC"'))
    with pytest.raises(ConfigError, match=r'say how good the values are: "TC-11 degC \+/- 0\.5 %"'):
        files.run()
    files.mapping.write_text(MAPPING.replace('"PT-11 bar(g)"', '"TC-11 degC +/- 1 %"'))
    run, _ = files.imported()
    assert run.calibrations["TC-11"].dimension == "temperature"


def test_an_existing_run_folder_is_not_written_over(files):
    files.run()
    with pytest.raises(RecordError, match="run folder exists"):
        files.run()


def test_a_trailing_separator_and_degree_signs_of_old_programs_do_not_hurt(files):
    text = table().replace("spare", "T in \u00b0C")
    lines = [line + "," if k else line for k, line in enumerate(text.splitlines())]
    files.csv.write_bytes("\r\n".join(lines).encode("cp1252"))
    run, _ = files.imported()
    assert run.stream("imported", "csv").sequence.size == ROWS


def test_a_mapping_of_ten_channels_fits_twenty_lines(files):
    tags = ["PT-11", "PT-12", "PT-13", "PT-21", "PT-22", "PT-23", "PT-31", "PT-32"]
    columns = "".join(f'"{tag}" = "{tag} bar(g)"\n' for tag in tags)
    mapping = MAPPING.split("[columns]")[0] + '[columns]\n"LC-1" = "LC-1 N"\n"TC-11" = "TC-11 degC"\n' + columns
    assert len(mapping.splitlines()) <= 20
    header = ",".join(["t", "FIRE", "LC-1", "TC-11", *tags])
    body = "\n".join(",".join([str(1000 * k), str(int(k > 3)), *(str(k / 8 + j) for j in range(10))]) for k in range(9))
    files.csv.write_text(f"{header}\n{body}\n")
    files.mapping.write_text(mapping)
    run, _ = files.imported()
    assert len(run.stream("imported", "csv").counts) == 10


def test_a_csv_with_the_name_of_the_mapping_is_refused(files):
    files.csv = files.csv.rename(files.csv.with_name("mapping.toml"))
    with pytest.raises(ConfigError, match="rename the CSV"):
        files.run()


def test_a_disk_that_fills_up_while_importing_leaves_no_half_run(files, monkeypatch):
    def full(source, place):
        raise OSError(28, "No space left on device", str(place))

    monkeypatch.setattr(shutil, "copyfile", full)
    with pytest.raises(RecordError, match="cannot be written: disk full"):
        files.run()
    assert not list((files.campaign.folder / "runs").iterdir())
    monkeypatch.undo()
    assert files.run()[1].t_zero is not None


def test_a_falling_column_can_be_t_zero(files):
    files.csv.write_text(files.csv.read_text().replace(",0,x", ",2,x"))
    files.mapping.write_text(MAPPING.replace("FIRE rising 0.5", "FIRE falling 1.25"))
    run, summary = files.imported()
    # From 2 to 1 over 10 ms, through 1.25 at three quarters of it.
    assert summary.t_zero.host_ns - run.stream("imported", "csv").host_ns[0] == pytest.approx(0.4975e9, abs=1)


def test_quotes_that_never_close_are_not_csv(files):
    files.csv.write_text(table() + '"' + "x" * 140_000)
    with pytest.raises(DataError, match="not CSV: field larger than field limit"):
        files.run()


@pytest.mark.parametrize("empty", ["", " NaN "])
def test_a_row_without_a_value_counts_as_missing(files, empty):
    files.csv.write_text(table().replace("29.500", empty, 1))
    run, summary = files.imported()
    rows = run.stream("imported", "csv")
    assert rows.ticks.size == ROWS - 1
    assert np.flatnonzero(np.diff(rows.ticks) > 10_000).tolist() == [29]
    assert summary.lost_rows == 1
    assert any("1 rows lack a value and were left out" in note.text for note in summary.devices["imported"].notes)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_text_in_two_bytes_a_character_imports_alike(files, encoding):
    files.csv.write_bytes(table().encode(encoding))
    run, _ = files.imported()
    assert run.stream("imported", "csv").ticks.size == ROWS


def test_rows_that_share_a_printed_time_are_spread_between_the_times(files):
    # A 100 Hz log that prints tenths of seconds: ten rows share each.
    lines = table(first=0).splitlines()
    coarse = [lines[0], *(f"{int(line.split(',')[0]) // 100_000 / 10},{line.split(',', 1)[1]}" for line in lines[1:])]
    files.csv.write_text("\n".join(coarse) + "\n")
    mapping = MAPPING.replace('"us"', '"s"').replace("clock_modulus = 4294967296\n", "")
    files.mapping.write_text(mapping)
    run, summary = files.imported()
    device = summary.devices["imported"]
    rows = run.stream("imported", "csv")
    seconds = (rows.host_ns - rows.host_ns[0]) / 1e9
    assert np.abs(seconds - 0.01 * np.arange(ROWS)).max() < 1e-3
    assert any("180 rows have the time of the row before" in note.text for note in device.notes)


def test_rows_that_came_in_uneven_bursts_are_refused(files):
    # Stamped on arrival at a computer that read its buffer now and then.
    lines = table(first=0, step=1).splitlines()
    burst = np.repeat(np.cumsum([0, 130, 170, 260, 90]), [20, 50, 10, 100, 20])
    stamped = [f"{at},{line.split(',', 1)[1]}" for at, line in zip(burst, lines[1:], strict=True)]
    files.csv.write_text("\n".join([lines[0], *stamped]) + "\n")
    files.mapping.write_text(MAPPING.replace('"us"', '"ms"'))
    with pytest.raises(DataError, match="in 195 of 200 rows, and unevenly: when rows came between"):
        files.run()


def test_a_clock_in_another_unit_than_stated_is_asked_about(files):
    files.mapping.write_text(MAPPING.replace('"us"', '"ms"'))
    _, summary = files.imported()
    (note,) = (n for n in summary.devices["imported"].notes if n.severity == "caution")
    assert 'is clock_unit = "ms" right?' in note.text


def test_rows_that_do_not_divide_the_printed_time_leave_no_gaps_and_a_missing_time_does(files):
    # 3 kHz printed in milliseconds: two to four rows share each; from 20 to 24 ms nothing was written.
    lines = table(first=0).splitlines()
    at = np.arange(ROWS) * 0.334
    stamped = [f"{int(t)},{line.split(',', 1)[1]}" for t, line in zip(at, lines[1:], strict=True)]
    kept = [row for row, t in zip(stamped, at, strict=True) if not 20.0 <= t < 24.0]
    files.csv.write_text("\n".join([lines[0], *kept]) + "\n")
    files.mapping.write_text(MAPPING.replace('"us"', '"ms"'))
    run, summary = files.imported()
    assert np.all(np.diff(run.stream("imported", "csv").host_ns) > 0)
    assert len(summary.devices["imported"].streams["csv"].gaps) == 1
    assert 10 <= summary.lost_rows <= 14  # twelve


def test_a_time_printed_finer_than_any_clock_is_refused(files):
    files.mapping.write_text(MAPPING.replace("clock_modulus = 4294967296\n", ""))
    rows = [f"{k}e-13,31.0,500.0,{int(k >= 50)},x" for k in range(ROWS)]
    files.csv.write_text("\n".join(["t,P_ox,Thrust,FIRE,spare", *rows]) + "\n")
    with pytest.raises(DataError, match="finer than any clock; round the column"):
        files.run()


def test_a_clock_that_does_nothing_but_roll_over_warns_of_nothing(files):
    files.mapping.write_text(MAPPING.replace("4294967296", "65536"))
    rows = [f"{60_000 if k < 100 else 100},31.0,500.0,{int(k >= 50)},x" for k in range(ROWS)]
    files.csv.write_text("\n".join(["t,P_ox,Thrust,FIRE,spare", *rows]) + "\n")
    _, summary = files.run()
    assert summary.devices["imported"].streams["csv"].rows == ROWS
