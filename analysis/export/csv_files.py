"""Write channels and full-rate thrust as CSV by RFC 4180, each with a CSV on the Web metadata file beside it.

Comma and decimal point always, one header row with units, no comment lines; numbers with all their digits. Rows that
were lost are absent, and ``segment`` counts up where they are.
"""

import csv
import io
import json
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from standbook.analysis.data_frames import TIME
from standbook.analysis.export.shown_columns import shown
from standbook.analysis.opened_run import Run
from standbook.daq.display_units import Chosen
from standbook.daq.quantity import in_unit

BREAK = 1.5  # usual steps between rows; a longer one has lost some
CONTEXT = "http://www.w3.org/ns/csvw"
Columns = Mapping[str, str]  # title to what it holds


def channels_csv(run: Run, frame: pd.DataFrame) -> tuple[bytes, bytes]:
    """Write readings with their segment; table and metadata."""
    units, calibrations = frame.attrs["units"], frame.attrs["calibration"]
    time = frame.index.to_numpy()
    titles: dict[str, str] = {TIME: "of the row", "segment": "counts up where rows are missing"}
    titles |= {f"{tag} [{units[tag]}]": f"reading, calibration {calibrations[tag]}" for tag in frame.columns}
    table = csv_bytes(tuple(titles), [time, segments(time), *(frame[tag].to_numpy() for tag in frame.columns)])
    return table, metadata(run, titles, {})


def thrust_csv(run: Run, chosen: Chosen) -> tuple[bytes, bytes]:
    """Write every row of thrust in the impulse window: its trapezoid sum is the total impulse."""
    series = run.thrust()
    time, (thrust, unit) = series.index.to_numpy(), shown(series.to_numpy(), "N", chosen)
    titles = {
        TIME: "of the row; first and last are the window's ends",
        f"thrust [{unit}]": "zeros, leaving weight and load path taken out; steps to zero where no row stands",
    }
    impulse = run.results.impulse.value if run.results.impulse else None
    more = {"trapezoid sum is the total impulse [N*s]": impulse}
    if unit != "N" and impulse is not None:
        more = {
            f"trapezoid sum is the total impulse [{unit}*s]": in_unit(impulse, unit),
            "total impulse [N*s]": impulse,
        }
    return csv_bytes(tuple(titles), [time, thrust]), metadata(run, titles, more)


def segments(time: np.ndarray) -> np.ndarray:
    """Count stretches of rows without a gap, from 1. (N,)."""
    step = np.diff(time)
    usual = float(np.median(step)) if step.size else 0.0
    return np.concatenate(([1], 1 + np.cumsum(step > BREAK * usual))) if time.size else np.zeros(0, dtype=int)


def csv_bytes(head: Sequence[str], columns: Sequence[np.ndarray]) -> bytes:
    """Write columns (N,) as CSV, UTF-8; what is no number is an empty cell."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\r\n", quoting=csv.QUOTE_MINIMAL)
    writer.writerow([as_text(title) for title in head])
    writer.writerows(zip(*(_cells(column) for column in columns), strict=True))
    return text.getvalue().encode("utf-8")


def as_text(text: str) -> str:
    """Mark a text that a spreadsheet would take for a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t") else text


def _cells(column: np.ndarray) -> list[str]:
    if column.dtype.kind in "iu":
        return [str(int(value)) for value in column]
    return ["" if value != value else repr(value) for value in column.tolist()]


def metadata(run: Run, titles: Columns, more: Mapping[str, object]) -> bytes:
    """Describe a table; ``NAME.csv`` stands for its file."""
    columns = [{"titles": title, "datatype": "number", "dc:description": text} for title, text in titles.items()]
    about = {
        "@context": CONTEXT,
        "url": "NAME.csv",
        "dialect": {"encoding": "utf-8", "delimiter": ",", "header": True},
        "tableSchema": {"columns": columns},
        "dc:source": {**identity(run), **more},
    }
    return (json.dumps(about, ensure_ascii=False, indent=1) + "\n").encode("utf-8")


def identity(run: Run) -> dict[str, object]:
    """Name run, revision, manifest, T-0 and whether it is a rehearsal."""
    t_zero = run.dataset.t_zero
    return {
        "run": run.folder.name,
        "revision": run.results.revision if run.is_analysed else None,
        "manifest": run.record.manifest.sha256,
        "article": run.plan.test.article,
        "T-0": t_zero.time if t_zero is not None else None,
        "rehearsal": run.record.info.rehearsal,
        "imported": run.record.info.source == "imported",
        "ambient pressure [Pa]": run.plan.site.ambient_pressure.value,
    }
