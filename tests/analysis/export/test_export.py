"""Exports read back by other readers: every digit of a CSV, every number of a workbook, the impulse of a table."""

import csv
import dataclasses
import io
import json

import numpy as np
import openpyxl
import pandas as pd
import pytest
from scipy.io import loadmat

import standbook as sb
from standbook.analysis.export import thrust_table
from standbook.analysis.export.csv_files import as_text, csv_bytes, segments
from standbook.analysis.export.files import Export, exported
from standbook.analysis.export.workbook import block_means
from standbook.daq.errors import DataError, UsageError
from tests.repository import ROOT


@pytest.fixture(scope="module")
def firing():
    run = sb.open_run(next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal")))
    run.thrust()  # solved once for all
    return run


@pytest.fixture(scope="module")
def flow():
    return sb.open_run(next((ROOT / "sample_runs/teasel-2/runs").glob("*_WF-03_rehearsal")))


def read(content):
    rows = list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))
    return rows[0], np.array([[float(cell) for cell in row] for row in rows[1:]])


def test_channels_come_back_to_the_last_digit(firing):
    table, about = exported(firing, Export(tags=["LC-1", "PT-31"], start=-0.5, end=0.5))[:2]
    head, numbers = read(table.content)
    assert head == ["time after T-0 [s]", "segment", "LC-1 [N]", "PT-31 [bar(g)]"]
    frame = firing.frame(["LC-1", "PT-31"], start=-0.5, end=0.5)
    assert np.array_equal(numbers[:, 0], frame.index)
    assert np.array_equal(numbers[:, 2:], frame.to_numpy())
    said = json.loads(about.content)
    assert said["url"] == table.name == "HF-02_rev-A_channels.csv"
    assert [column["titles"] for column in said["tableSchema"]["columns"]] == head
    assert said["dc:source"]["rehearsal"] is True
    assert table.content.count(b"\r\n") == len(numbers) + 1


IMPERIAL = {"pressure": "psi", "force": "lbf", "mass": "lb"}
POUND, PSI, LBF = 0.45359237, 6894.757293168, 4.4482216152605  # [SP811]


def test_channels_and_thrust_come_in_the_chosen_units_and_sum_to_the_same_impulse(firing):
    own = Export(tags=["LC-1", "PT-31"], start=-0.5, end=0.5)
    channels, _, thrust, about = exported(firing, dataclasses.replace(own, units=IMPERIAL))
    head, numbers = read(channels.content)
    assert head[2:] == ["LC-1 [lbf]", "PT-31 [psi(g)]"]
    stored = read(exported(firing, own)[0].content)[1]
    assert np.allclose(numbers[:, 2] * LBF, stored[:, 2], rtol=1e-12)
    assert np.allclose(numbers[:, 3] * PSI, stored[:, 3] * 1e5, rtol=1e-9)
    head, numbers = read(thrust.content)
    assert head[1] == "thrust [lbf]"
    said = json.loads(about.content)["dc:source"]
    total = np.trapezoid(numbers[:, 1], numbers[:, 0])
    assert total == pytest.approx(said["trapezoid sum is the total impulse [lbf*s]"], rel=1e-9)
    assert total * LBF == pytest.approx(firing.results.impulse.value, rel=1e-9)
    assert said["total impulse [N*s]"] == firing.results.impulse.value


def test_a_thrust_table_in_pounds_is_the_same_table(firing):
    own = Export(kinds=("thrust",), rows=16)
    (table, about), (other, also) = (exported(firing, one) for one in (own, dataclasses.replace(own, units=IMPERIAL)))
    head, numbers = read(other.content)
    assert head == ["time [s]", "thrust [lbf]", "propellant mass [lb]"]
    assert np.allclose(numbers * [1.0, LBF, POUND], read(table.content)[1], rtol=1e-9)
    assert json.loads(about.content)["dc:source"] == json.loads(also.content)["dc:source"]


def test_the_stand_of_a_run_chooses_where_nothing_else_does(flow):
    stand = flow.record.stand.shown_in({"pressure": "kPa"})
    shown = sb.Run(dataclasses.replace(flow.record, stand=stand))
    heads = [
        read(exported(shown, Export(tags=["PT-11"], start=0.0, end=0.1, units=units))[0].content)[0][2]
        for units in ({}, {"pressure": "psi"}, {"force": "lbf"})
    ]
    assert heads == ["PT-11 [kPa(g)]", "PT-11 [psi(g)]", "PT-11 [kPa(g)]"]
    assert read(sb.export(shown, "csv", tags=["PT-11"], units="MPa")[0].content)[0][2] == "PT-11 [MPa(g)]"
    with pytest.raises(ValueError, match="two units of pressure"):
        sb.export(shown, "csv", units="psi,MPa")


@pytest.mark.slow
def test_workbook_and_matlab_take_the_choice_and_keep_results_in_si(firing):
    asked = Export(kinds=("xlsx", "mat"), tags=["PT-31"], start=0.0, end=0.5, units=IMPERIAL)
    book, matlab = exported(firing, asked)
    sheets = openpyxl.load_workbook(io.BytesIO(book.content), read_only=True)
    heads = {name: next(sheets[name].iter_rows(values_only=True)) for name in ("Thrust", "Channels")}
    assert heads == {
        "Thrust": ("time after T-0 [s]", "thrust [lbf]"),
        "Channels": ("time after T-0 [s]", "PT-31 [psi(g)]"),
    }
    units = {row[4] for row in sheets["Results"].iter_rows(values_only=True)}
    assert {"N*s", "Pa"} <= units
    assert not units & {"psi", "lbf"}
    content = loadmat(io.BytesIO(matlab.content), simplify_cells=True)
    assert content["channels"]["units"]["PT_31"] == "psi(g)"
    assert np.allclose(content["thrust"]["thrust_lbf"] * LBF, firing.thrust().to_numpy(), rtol=1e-12)


def test_stored_readings_are_those_of_the_samples_file(firing):
    samples = pd.read_parquet(next((firing.folder / "samples").glob("*.parquet")))
    frame = firing.frame(["PT-11", "PT-32"])
    for tag in frame.columns:  # kept in single precision there
        assert np.allclose(frame[tag], samples[tag], rtol=2e-7, atol=2e-5)


def test_the_sum_of_full_rate_thrust_is_the_impulse(firing):
    files = exported(firing, Export(tags=["LC-1"], start=0.0, end=0.1))  # the window is of channels only
    table = next(file for file in files if file.name.endswith("thrust-full.csv"))
    _, numbers = read(table.content)
    assert np.trapezoid(numbers[:, 1], numbers[:, 0]) == pytest.approx(firing.results.impulse.value, rel=1e-9)


@pytest.mark.parametrize("rows", [16, 32, pytest.param(500, marks=pytest.mark.slow)])
@pytest.mark.parametrize("vacuum", [False, True])
def test_a_thrust_table_keeps_impulse_and_centre(firing, rows, vacuum):
    table, about = exported(firing, Export(kinds=("thrust",), rows=rows, vacuum=vacuum))
    _, numbers = read(table.content)
    time, thrust, mass = numbers.T
    said = json.loads(about.content)["dc:source"]
    impulse = firing.results.impulse_vacuum if vacuum else firing.results.impulse
    assert len(time) <= rows
    assert np.trapezoid(thrust, time) == pytest.approx(impulse.value, rel=1e-6)
    if not vacuum:
        full = firing.thrust()
        at, level = full.index.to_numpy(), full.to_numpy()
        centre = np.trapezoid(level * at, at) / np.trapezoid(level, at)
        first = sum(
            (b - a) * (2 * a * p + a * q + b * p + 2 * b * q) / 6.0
            for a, b, p, q in zip(time, time[1:], thrust, thrust[1:], strict=False)
        )  # the first moment of a straight line, from its integral
        assert first / np.trapezoid(thrust, time) == pytest.approx(centre, abs=1e-4)
    assert thrust[0] == thrust[-1] == 0.0
    assert thrust.min() >= 0.0
    assert np.all(np.diff(time) > 0.0)
    assert np.all(np.diff(mass) <= 0.0)
    assert mass[-1] == pytest.approx(said["propellant"]["left aboard [kg]"])
    assert said["referred to"] == ("vacuum" if vacuum else "site ambient pressure")
    assert said["is"] == "one run, not a type"


@pytest.mark.slow
def test_a_fine_table_follows_the_sum_and_a_coarse_one_does_not_ring(firing):
    full = firing.thrust()
    at, level = full.index.to_numpy(), full.to_numpy()
    sums = np.concatenate(([0.0], np.cumsum(np.diff(at) * (level[1:] + level[:-1]) / 2.0)))
    (table, _) = exported(firing, Export(kinds=("thrust",), rows=500))
    time, thrust, _ = read(table.content)[1].T
    own = np.concatenate(([0.0], np.cumsum(np.diff(time) * (thrust[1:] + thrust[:-1]) / 2.0)))
    assert np.max(np.abs(own - np.interp(time, at, sums))) <= 2e-4 * firing.results.impulse.value
    assert np.max(np.abs(np.diff(thrust[time > 2.0][:-120]))) < 20.0  # the stand rings by more from row to row


def test_no_knot_stays_below_zero():
    time = np.linspace(0.0, 1.0, 2001)
    thrust = np.where(np.abs(time - 0.5) < 0.02, 1000.0, 0.0)
    knots = np.linspace(0.0, 1.0, 9)
    value = thrust_table.fitted(time, thrust, knots, impulse=40.0)
    assert value.min() >= 0.0
    assert np.trapezoid(value, knots) == pytest.approx(40.0)


@pytest.mark.slow
def test_a_workbook_holds_numbers_as_numbers_and_no_formula(firing):
    (file,) = exported(firing, Export(kinds=("xlsx",), tags=["LC-1"]))
    book = openpyxl.load_workbook(io.BytesIO(file.content), read_only=True)
    assert book.sheetnames == ["About", "Results", "Budget", "Events", "Findings", "Thrust", "Channels"]
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not any(cell.data_type == "f" for cell in cells)
    rows = list(book["Results"].iter_rows(values_only=True))
    impulse = next(row for row in rows if row[0] == "impulse")
    assert impulse[1] == pytest.approx(firing.results.impulse.value, rel=1e-12)
    assert impulse[4] == "N*s"
    seen = pd.read_excel(io.BytesIO(file.content), sheet_name="Thrust")
    assert len(seen) == len(firing.thrust())
    assert seen.dtypes.map(lambda kind: kind.kind).tolist() == ["f", "f"]


def test_a_flow_s_workbook_has_no_thrust(flow):
    (file,) = exported(flow, Export(kinds=("xlsx",), tags=["PT-11"], start=0.0, end=0.5))
    book = openpyxl.load_workbook(io.BytesIO(file.content), read_only=True)
    assert book.sheetnames == ["About", "Results", "Budget", "Events", "Findings", "Channels"]
    channels = list(book["Channels"].iter_rows(values_only=True))
    assert channels[0] == ("time after T-0 [s]", "PT-11 [bar(g)]")
    assert len(channels) == 1 + 50  # half a second in blocks of 10 ms
    assert all(isinstance(cell, float) for row in channels[1:] for cell in row)


def test_long_records_become_longer_blocks(monkeypatch):
    monkeypatch.setattr("standbook.analysis.export.workbook.MOST_ROWS", 11)
    frame = pd.DataFrame({"a": np.arange(1000.0)}, index=np.arange(1000) / 1000.0)
    rows, length = block_means(frame)
    assert len(rows) <= 11
    assert length == pytest.approx(0.0999)
    assert rows[0][1] == 49.5  # the mean of 0 to 99


def test_matlab_gets_channels_thrust_and_results(firing):
    (file,) = exported(firing, Export(kinds=("mat",), tags=["PT-31"]))
    content = loadmat(io.BytesIO(file.content), simplify_cells=True)
    assert content["channels"]["units"]["PT_31"] == "bar(g)"
    assert content["results"]["impulse"]["value"] == firing.results.impulse.value
    thrust = content["thrust"]
    assert np.trapezoid(thrust["thrust_N"], thrust["time_s"]) == pytest.approx(firing.results.impulse.value, rel=1e-9)


def test_a_flow_has_channels_and_no_thrust(flow):
    assert [file.name for file in exported(flow, Export(start=0.0, end=1.0))] == [
        "WF-03_rev-A_channels.csv",
        "WF-03_rev-A_channels.csv-metadata.json",
    ]
    with pytest.raises(DataError, match="no impulse"):
        exported(flow, Export(kinds=("thrust",)))


@pytest.mark.parametrize(
    ("asked", "error", "words"),
    [
        (Export(kinds=("ods",)), UsageError, "csv, xlsx, thrust, mat"),
        (Export(tags=["PT-99"]), DataError, "no channel PT-99; it has"),
        (Export(start=900.0), DataError, "no row between"),
        (Export(kinds=("thrust",), rows=3), UsageError, "--rows 3"),
    ],
)
def test_what_is_not_there_is_refused(firing, asked, error, words):
    with pytest.raises(error, match=words):
        exported(firing, asked)


def test_gaps_are_counted_and_texts_are_no_formulas():
    assert segments(np.array([0.0, 0.001, 0.002, 0.010, 0.011])).tolist() == [1, 1, 1, 2, 2]
    assert as_text("=1+1") == "'=1+1"
    assert csv_bytes(("a,b", "n"), [np.array([0.1, np.nan]), np.array([1, 2])]) == b'"a,b",n\r\n0.1,1\r\n,2\r\n'
