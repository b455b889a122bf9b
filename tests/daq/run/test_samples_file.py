import json
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standbook.daq.errors import RecordError
from standbook.daq.run.samples_file import (
    NO_RAILS,
    Column,
    Piece,
    SamplesHeader,
    read_header,
    read_samples,
    write_samples,
)
from standbook.daq.sealing.seal import seal
from tests.recorded_run import WALL_NS, Player, fast_hello, new_run, plausible_counts

ROWS = 1000


@pytest.fixture(scope="module")
def sealed(tmp_path_factory):
    run = new_run(tmp_path_factory.mktemp("samples"))
    counts = plausible_counts(ROWS)
    Player(run, fast_hello()).play(counts).write()
    seal(run)
    return run / "samples" / "cradle-a_fast.parquet", counts


def test_pandas_reads_the_samples_without_our_code(sealed):
    path, counts = sealed
    frame = pd.read_parquet(path)
    assert list(frame.columns[:6]) == ["sequence", "boot", "ticks", "host_time", "LC-1.counts", "LC-1"]
    assert frame["PT-11.counts"].tolist() == counts[:, 1].tolist()
    assert frame["PT-11.counts"].dtype == np.int16
    assert frame["LC-1.counts"].dtype == np.int32
    assert str(frame["host_time"].dtype) == "datetime64[ns, UTC]"
    assert frame["host_time"].iloc[0].value == pytest.approx(WALL_NS, abs=5e6)
    # 13 000 counts of 0.1875 mV on 5 V are 0.4875 V/V, and (0.4875 - 0.1) / 0.8 of 60 bar is 29.06 bar.
    assert frame["PT-11"].iloc[0] == pytest.approx(29.06, abs=0.1)


def test_polars_reads_the_samples_without_our_code(sealed):
    path, counts = sealed
    frame = pl.read_parquet(path)
    assert frame["LC-1.counts"].to_list() == counts[:, 0].tolist()
    assert frame["host_time"].dtype == pl.Datetime("ns", "UTC")
    assert frame["sequence"].to_list() == list(range(ROWS))


def test_duckdb_reads_the_samples_without_our_code(sealed):
    path, counts = sealed
    last = "max(epoch_us(host_time::TIMESTAMPTZ))"
    query = f'SELECT count(*), sum("LC-1.counts"), avg("PT-11"), {last} FROM read_parquet(?)'
    rows, total, mean, last = duckdb.execute(query, [str(path)]).fetchone()
    assert (rows, total) == (ROWS, counts[:, 0].sum())
    assert mean == pytest.approx(pq.read_table(path)["PT-11"].to_numpy().mean())
    assert last / 1e6 == pytest.approx(WALL_NS / 1e9 + 0.999, abs=5e-3)


def test_units_and_references_stand_under_the_file_key_for_any_reader(sealed):
    path, _ = sealed
    # Three readers' ways to the same key, none of them ours.
    texts = [pq.read_schema(path).metadata[b"standbook"], pl.read_parquet_metadata(path)["standbook"]]
    found = duckdb.execute("SELECT value FROM parquet_kv_metadata(?) WHERE key = 'standbook'", [str(path)]).fetchone()
    for text in (*texts, found[0]):
        told = json.loads(text)
        assert (told["format"], told["run"], told["rehearsal"], told["device"]) == (1, "HF-02", False, "cradle-a")
        assert told["columns"]["PT-11"] == {
            "wire": "adc1",
            "tag": "PT-11",
            "type": "i16",
            "minimum": -32768,
            "maximum": 32767,
            "resolution": 1.0,
            "unit": "bar(g)",
            "reference": "gauge",
            "calibration": "PT-11_r02",
        }
        assert (told["columns"]["LC-1"]["unit"], told["columns"]["LC-1"]["reference"]) == ("N", None)


def test_units_and_references_stand_in_the_field_metadata(sealed):
    path, _ = sealed
    schema = pq.read_schema(path)
    pressure, counts = schema.field("PT-11").metadata, schema.field("PT-11.counts").metadata
    assert (pressure[b"unit"], pressure[b"reference"], pressure[b"calibration"]) == (b"bar(g)", b"gauge", b"PT-11_r02")
    assert (counts[b"unit"], counts[b"wire"], counts[b"maximum"]) == (b"counts", b"adc1", b"32767")
    assert all(b"unit" in field.metadata for field in schema)


def test_our_reader_gives_back_the_counts(sealed):
    path, counts = sealed
    samples = read_samples(path)
    assert np.array_equal(np.column_stack(list(samples.counts.values())), counts)
    assert (samples.header.tick_hz, samples.header.interval_ticks) == (1e6, 1000)
    assert samples.counts["PT-11"].dtype == np.int64


@pytest.mark.parametrize("name", ["file:/a", "a b", "\udcff"], ids=["like a URI", "space", "not UTF-8"])
def test_any_folder_that_the_system_has_will_do(tmp_path, monkeypatch, name):
    monkeypatch.chdir(tmp_path)
    folder = Path(name)
    try:
        folder.mkdir(parents=True)
    except OSError:
        pytest.skip("the system has no such names")
    header = SamplesHeader(
        run="HF-02",
        rehearsal=False,
        device="cradle-a",
        stream="fast",
        time_scale=1.0,
        tick_hz=1e6,
        interval_ticks=1000,
        columns=(Column(wire="adc0", tag="PT-11", type="i16", minimum=0, maximum=9),),
    )
    one = np.array([1])
    assert (
        write_samples(
            folder / "a.parquet",
            header,
            [Piece(sequence=one, boot=1, ticks=one, host_ns=one, counts=np.array([[7]]), readings={})],
        )
        == 1
    )
    assert read_samples(folder / "a.parquet").counts["PT-11"].tolist() == [7]


def test_a_parquet_file_without_our_key_is_refused_not_guessed(tmp_path):
    pq.write_table(pa.table({"PT-11": [1.0]}), tmp_path / "foreign.parquet")
    with pytest.raises(RecordError, match='has no "standbook" key, so its units and references are not known'):
        read_samples(tmp_path / "foreign.parquet")


@pytest.mark.parametrize(
    "text", ["{", "[]", "{}", '{"format": 2, "columns": {}}', '{"format": 1, "columns": {"a": 1}}']
)
def test_a_damaged_key_is_refused(tmp_path, text):
    table = pa.table({"a": [1]}).replace_schema_metadata({"standbook": text})
    pq.write_table(table, tmp_path / "a.parquet")
    with pytest.raises(RecordError, match=r"a\.parquet: .*(damaged|format 2 is not 1)"):
        read_header(tmp_path / "a.parquet")


def test_a_missing_column_is_damage(tmp_path, sealed):
    table = pq.read_table(sealed[0])
    pq.write_table(table.drop_columns(["PT-11.counts"]), tmp_path / "a.parquet")
    with pytest.raises(RecordError, match="not a readable Parquet file"):
        read_samples(tmp_path / "a.parquet")


@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_parquet_file_cut_anywhere_is_one_sentence(sealed, tmp_path, data):
    content = sealed[0].read_bytes()
    cut = tmp_path / "cut.parquet"
    cut.write_bytes(content[: data.draw(st.integers(0, len(content) - 1))])
    with pytest.raises(RecordError, match=r"cut\.parquet: not a readable Parquet file"):
        read_samples(cut)


def test_a_missing_file_is_one_sentence(tmp_path):
    with pytest.raises(RecordError, match="not a readable Parquet file"):
        read_header(tmp_path / "none.parquet")


HEADER = SamplesHeader(
    run="X",
    rehearsal=False,
    device="d",
    stream="s",
    time_scale=1.0,
    tick_hz=1e6,
    interval_ticks=1000,
    columns=(
        Column(
            wire="a",
            tag="A",
            type="text",
            minimum=None,
            maximum=None,
            resolution=0.1,
            reading_unit="N",
            calibration="A_r01",
        ),
    ),
)


def piece(rows, start=0):
    k = np.arange(start, start + rows)
    return Piece(
        sequence=k, boot=0, ticks=1000 * k, host_ns=WALL_NS + k, counts=k[:, None] * 10**12, readings={"A": k * 1.5}
    )


def test_several_pieces_make_one_file_and_wide_counts_fit(tmp_path):
    path = tmp_path / "s.parquet"
    assert write_samples(path, HEADER, [piece(10), piece(5, 10)]) == 15
    samples = read_samples(path)
    assert samples.counts["A"].tolist() == [k * 10**12 for k in range(15)]
    assert samples.header == HEADER
    assert samples.header.columns[0].rails == NO_RAILS


def test_a_failure_while_writing_leaves_nothing(tmp_path):
    def pieces():
        yield piece(10)
        raise KeyError("half way")

    with pytest.raises(KeyError):
        write_samples(tmp_path / "s.parquet", HEADER, pieces())
    assert list(tmp_path.iterdir()) == []


def test_nothing_to_write_is_the_callers_bug(tmp_path):
    with pytest.raises(ValueError, match="no rows"):
        write_samples(tmp_path / "s.parquet", HEADER, [])
