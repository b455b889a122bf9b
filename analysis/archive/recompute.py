"""Compute the total impulse of this run again from its raw counts: Python 3.11, numpy and pyarrow, nothing else.

From recompute.json beside it and the run folder: readings from counts, the zero, what the lines push, thrust, its sum.
Taken as stored: T-0, window, and the impulse of the weight that left, which follows both tanks' flows.
"""

import json
import sys
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq


def reading(run: Path, tag: str, terms: dict[str, Any], origin: int) -> tuple[np.ndarray, np.ndarray]:
    """Return time after T-0 [s] and reading [SI, pressures as calibrated] of a channel."""
    of, columns = terms["channels"][tag], ["host_time", f"{tag}.counts"]
    parts = [pq.read_table(run / name, columns=columns) for name in of["samples"]]
    ns, counts = (np.concatenate([part[name].cast("int64").to_numpy() for part in parts]) for name in columns)
    order = np.argsort(ns, kind="stable")
    time, counts, supply = (ns[order] - origin) * 1e-9, counts[order], of["supply"]
    volts = np.interp(time, *reading(run, supply, terms, origin)) if isinstance(supply, str) else supply
    fit = tomllib.loads((run / of["calibration"]).read_text("utf-8")) if "calibration" in of else of
    signal = of["signal per count"] * counts / volts - fit.get("pivot", 0.0)
    return time - of["latency [s]"], of["SI per unit"] * np.polynomial.polynomial.polyval(signal, fit["coefficients"])


def total_impulse(run: Path, terms: dict[str, Any]) -> tuple[float, float]:
    """Return the total impulse of a run folder, computed here, and the report's. [N s]."""
    results = json.loads((run / terms["results"]).read_text("utf-8"))
    origin = int(np.datetime64((results["t_zero"] or terms["origin"])["time"].removesuffix("Z"), "ns").astype(np.int64))
    cells = [(share, *reading(run, tag, terms, origin)) for tag, share in terms["cells"].items()]
    kept = np.ones(cells[0][1].size, bool)
    for first, last in terms["rows left out"]:
        kept[first : last + 1] = False
    time, force = cells[0][1][kept], sum(share * values for share, _, values in cells)[kept]
    lines = [np.interp(time, *reading(run, tag, terms, origin)) - less for tag, less in terms["lines"].items()]
    line = np.mean(lines, axis=0) if lines else np.zeros(time.size)  # gauge [Pa]
    at_rest = (time >= terms["zero from, to [s]"][0]) & (time <= terms["zero from, to [s]"][1])
    zero = force[at_rest].mean() if terms["zero [N]"] is None else terms["zero [N]"]
    risen = line - line[at_rest].mean()
    gain = terms["gain"] + terms["stiffening [1/Pa]"] * (risen + max(line[at_rest].mean(), 0.0))
    thrust = (force - zero - terms["line load [N/Pa]"] * risen) / gain  # the weight still in it
    for start, end in terms["no rows from, to [s]"]:
        k = int(np.searchsorted(time, start))
        time = np.insert(time, [k] * 4, [start, start, end, end])
        thrust = np.insert(thrust, [k] * 4, [thrust[k - 1], 0.0, 0.0, thrust[k]])
    start, end = max(results["window"]["start"], time[0]), min(results["window"]["end"], time[-1])
    inside, ends = (time > start) & (time < end), np.interp([start, end], time, thrust)
    t, f = (np.concatenate((a[:1], b[inside], a[1:])) for a, b in ((np.array([start, end]), time), (ends, thrust)))
    return float(np.sum(np.diff(t) * (f[1:] + f[:-1]) / 2)) - terms["weight [N s]"], results["impulse"]["value"]


if __name__ == "__main__":
    here = Path(__file__).resolve().parent
    stored = json.loads((here / "recompute.json").read_text("utf-8"))
    mine, report = total_impulse(here / stored["run"], stored)
    sys.stdout.write(f"computed here {mine:.6f} N s\nin the report {report:.6f} N s\napart {mine / report - 1.0:.1e}\n")
