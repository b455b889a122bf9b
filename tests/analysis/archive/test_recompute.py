"""The script of an archive: by a record whose sum is known by hand, and by the sample firing."""

import json
import math
import shutil

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import standbook as sb
from standbook.analysis.archive import recompute
from standbook.analysis.archive.recompute import total_impulse
from standbook.analysis.archive.terms import recompute_terms
from tests.repository import ROOT

ORIGIN = 1_900_000_000_000_000_000  # 2030-03-17T17:46:40Z [ns]
DIGITS = 1e-9
FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))


# --- a record made by hand --------------------------------------------------------------------------------


def table(folder, name, seconds, **columns):
    host = pa.array(ORIGIN + np.rint(np.asarray(seconds) * 1e9).astype(np.int64), pa.timestamp("ns", tz="UTC"))
    counts = {f"{tag.replace('_', '-')}.counts": pa.array(values, pa.int32()) for tag, values in columns.items()}
    (folder / name).parent.mkdir(exist_ok=True)
    pq.write_table(pa.table({"host_time": host, **counts}), folder / name)


@pytest.fixture
def by_hand(tmp_path):
    """10 rows a second from -2 to 4 s: 100 counts at rest, 300 more from 1 to 2 s, where one tank is at 2000 counts.

    A count of the cell is 0.5 of signal at a supply of 5 V, which is 10 counts of VS-1; reading = 3 + 2 signal, so
    that a count is 0.2 N. A count of the tank is 1 kPa; lines push 0.001 N/Pa and stiffen by 1e-6/Pa.
    """
    seconds = np.arange(-20, 41) / 10.0
    burning = (seconds >= 1.0) & (seconds <= 2.0)
    table(
        tmp_path,
        "samples/a_fast.parquet",
        seconds,
        LC_1=np.where(burning, 400, 100),
        PT_1=np.where(burning, 2000, 0),
        VS_1=np.full(seconds.size, 10),
    )
    (tmp_path / "LC-1.toml").write_text("pivot = 0.0\ncoefficients = [3.0, 2.0]\n")
    own = {"samples": ["samples/a_fast.parquet"], "latency [s]": 0.0}
    plain = {**own, "supply": 1.0, "pivot": 0.0}
    terms = {
        "origin": {"time": "2030-03-17T17:46:40.000000000Z"},
        "cells": {"LC-1": 1.0},
        "lines": {},
        "gain": 1.0,
        "stiffening [1/Pa]": 0.0,
        "line load [N/Pa]": 0.0,
        "zero from, to [s]": [-2.0, 0.0],
        "zero [N]": None,
        "weight [N s]": 0.0,
        "rows left out": [],
        "no rows from, to [s]": [],
        "results": "results.json",
        "channels": {
            "LC-1": {**own, "signal per count": 0.5, "supply": "VS-1", "calibration": "LC-1.toml", "SI per unit": 1.0},
            "PT-1": {**plain, "signal per count": 1.0, "coefficients": [0.0, 1.0], "SI per unit": 1000.0},
            "VS-1": {**plain, "signal per count": 0.5, "coefficients": [0.0, 1.0], "SI per unit": 1.0},
        },
    }
    results = {"t_zero": None, "window": {"start": 0.5, "end": 2.5}, "impulse": {"value": 60.0}}
    (tmp_path / "results.json").write_text(json.dumps(results))
    return tmp_path, terms


def summed(by_hand, **changed):
    folder, terms = by_hand
    return total_impulse(folder, {**terms, **changed})[0]


def test_counts_become_force_and_force_its_sum(by_hand):
    # 300 counts of 0.2 N stand for 60 N; ten steps of 0.1 s whole, two on the flanks half
    assert summed(by_hand) == pytest.approx(60.0 * 1.1)
    assert total_impulse(*by_hand)[1] == 60.0


def test_the_weight_that_left_is_taken_off_and_a_stored_zero_is_used(by_hand):
    assert summed(by_hand, **{"weight [N s]": 5.0}) == pytest.approx(66.0 - 5.0)
    # at rest the cell reads 3 + 2 * 0.5 * 100 / 5 = 23 N; 13 N leave 10 N over the window's 2 s
    assert summed(by_hand, **{"zero [N]": 13.0}) == pytest.approx(66.0 + 20.0)


def test_lines_that_push_and_stiffen_are_taken_out(by_hand):
    assert summed(by_hand, lines={"PT-1": 0.0}, **{"line load [N/Pa]": 1e-5}) == pytest.approx((60.0 - 20.0) * 1.1)
    stiff = {"gain": 2.0, "stiffening [1/Pa]": 5e-7}
    assert summed(by_hand, lines={"PT-1": 0.0}, **stiff) == pytest.approx(60.0 / 3.0 * 1.1)
    # less 500 kPa at rest is no pressure below zero
    assert summed(by_hand, lines={"PT-1": 5e5}, **stiff) == pytest.approx(60.0 / 3.0 * 1.1)


def test_several_cells_add_up_each_times_its_factor(by_hand):
    by_hand[1]["channels"]["LC-2"] = by_hand[1]["channels"]["LC-1"]
    assert summed(by_hand, cells={"LC-1": 1.0, "PT-1": 0.0}) == pytest.approx(66.0)
    assert summed(by_hand, cells={"LC-1": 1.5, "PT-1": 1e-6}) == pytest.approx(66.0 * 1.5 + 2.0 * 1.1)


def test_where_no_row_stands_nothing_is_summed(by_hand):
    # rows at 1.4, 1.5 and 1.6 s cannot be believed: half a step on either side of the hole stands for its neighbour
    left_out = {"rows left out": [[34, 36]], "no rows from, to [s]": [[1.35, 1.65]]}
    assert summed(by_hand, **left_out) == pytest.approx(66.0 - 60.0 * 0.3)


def test_rows_of_a_second_file_are_put_in_order_and_latency_moves_them(by_hand):
    folder, terms = by_hand
    table(folder, "samples/b.parquet", [1.45], LC_1=[400], VS_1=[10])
    for tag in ("LC-1", "VS-1"):
        terms["channels"][tag]["samples"] = ["samples/b.parquet", "samples/a_fast.parquet"]
    assert summed(by_hand) == pytest.approx(66.0)
    terms["channels"]["LC-1"]["latency [s]"] = 0.5  # so that the first flank lies at the window's start
    assert summed(by_hand) == pytest.approx(60.0 * 1.05)


# --- a whole firing ---------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def terms():
    return recompute_terms(sb.open_run(FIRING))


def test_a_firing_with_a_pull_that_stiffens_comes_out_to_nine_digits(terms):
    mine, report = total_impulse(FIRING, terms)
    assert terms["stiffening [1/Pa]"] != 0.0
    assert math.isclose(mine, report, rel_tol=DIGITS)
    assert report == sb.open_run(FIRING).results.impulse.value


@pytest.mark.parametrize(
    ("at", "worth"),
    [(10.0, 1e-3), (-1.0, -19.936 / 2000.0)],  # a row's own time; its share of the zero over the window's length [s]
)
def test_one_changed_count_moves_the_result_by_what_it_is_worth(terms, tmp_path, at, worth):
    copy = tmp_path / "run"
    shutil.copytree(FIRING, copy)
    file = copy / terms["channels"]["LC-1"]["samples"][0]
    rows = pq.read_table(file)
    t_zero = int(np.datetime64(sb.open_run(FIRING).results.t_zero.time.removesuffix("Z"), "ns").astype(np.int64))
    counts = rows["LC-1.counts"].to_numpy().copy()
    counts[np.searchsorted(rows["host_time"].cast("int64").to_numpy(), t_zero + round(at * 1e9))] += 1000
    place = rows.schema.get_field_index("LC-1.counts")
    pq.write_table(rows.set_column(place, rows.schema.field(place), pa.array(counts, pa.int32())), file)
    newtons = 1000 * 2.384186e-6 / 5.0 * 2500.04509  # by the stand's volts per count and the calibration's slope
    moved = total_impulse(copy, terms)[0] - total_impulse(FIRING, terms)[0]
    assert moved == pytest.approx(worth * newtons, rel=2e-3)


def test_the_script_is_short_plain_and_ours_alone():
    text = (ROOT / "analysis/archive/recompute.py").read_text(encoding="utf-8")
    lines = text.splitlines()
    assert len(lines) <= 60
    assert max(map(len, lines)) <= 120
    assert "standbook" not in text
    imported = {line.split()[1].partition(".")[0] for line in lines if line.startswith(("import ", "from "))}
    assert imported == {"json", "sys", "tomllib", "pathlib", "typing", "numpy", "pyarrow"}
    assert recompute.__file__.endswith("archive/recompute.py")
