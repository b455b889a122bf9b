"""From a sealed run folder with a long record to results: time, memory, and the same by a straightforward script.

``python -m tests.benchmarks.bench_analyse`` makes a water flow of one channel at 1 kHz, recorded from long before the
opening until six million rows are in its Parquet file, and analyses it in processes of their own, libraries loaded:
the whole analysis, and a script as one would write it with pandas, solve_ivp and curve_fit. Wanted: 3 s at most from
Parquet to results, and at most three times the memory of the columns that are used. On a busy computer look at the
processor's time.
"""

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import rehearse
from standbook.daq.config.campaign import read_campaign
from tests.rehearsed_run import lock, recorded
from tests.repository import ROOT
from tests.studies.water_flow_accuracy import CALIBRATION, PLAN, STAND, TODAY, WHITE_NOISE

RATE = 1000.0
COLUMNS = ("sequence", "ticks", "host_time", "PT-1.counts")  # of 8 bytes each in memory, and `boot` of 4
WANTED_SECONDS, WANTED_MEMORY = 3.0, 3.0


def make_run(folder: Path, rows: int) -> Path:
    """Record the reference water flow with a still record before it."""
    for name, text in (("stand.toml", STAND), ("calibrations/PT-1_r01.toml", CALIBRATION), ("plans/WF-R.toml", PLAN)):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    campaign = read_campaign(folder / "plans" / "WF-R.toml", today=TODAY)
    made_up = rehearse(campaign, Draw(1, Errors(noise=WHITE_NOISE)))
    seconds = rows / RATE - made_up.table.seconds
    lock(campaign)
    return recorded(campaign, made_up, hours=max(0.0, seconds) / 3600.0)


def peak() -> float:
    """Return the largest memory so far, of this program alone where the system tells. [MB]."""
    status = Path("/proc/self/status")
    if status.exists():  # the other figure of a child begins with what its parent had
        line = next(line for line in status.read_text().splitlines() if line.startswith("VmHWM"))
        return float(line.split()[1]) / 1024.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def ours(run: Path) -> dict[str, float]:
    """Analyse: Parquet to results, nothing written."""
    from standbook.analysis.dataset.load_run import load_dataset
    from standbook.analysis.kinds.cold_flow import analyse_water_flow
    from standbook.analysis.physics.fluids import isentropic_exponent
    from standbook.daq.run.run_folder import open_run

    opened = open_run(run)  # its hashes are the folder's affair
    isentropic_exponent("nitrogen", pressure=30e5, temperature=290.0)  # loads the properties
    before, begin, used = peak(), time.perf_counter(), time.process_time()
    tank = analyse_water_flow(load_dataset(opened)).results.tanks["tank"]
    took, used = time.perf_counter() - begin, time.process_time() - used
    assert tank.cda is not None
    assert tank.exponent is not None
    return {
        "seconds": took,
        "processor": used,
        "memory": peak() - before,
        "cda": tank.cda.value,
        "exponent": tank.exponent.chord.value,
    }


def straightforward(run: Path) -> dict[str, float]:
    """Read with pandas, take the largest fall as the flow, integrate an ideal-gas tank, fit it with curve_fit.

    The caught mass fixes nothing here: such a script fits CdA and exponent to the curve, which is one answer of many.
    """
    import numpy as np
    import pandas as pd
    from scipy.integrate import solve_ivp
    from scipy.optimize import curve_fit

    before, begin, used = peak(), time.perf_counter(), time.process_time()
    frame = pd.read_parquet(run / "samples" / "box_fast.parquet", columns=["host_time", "PT-1"])
    seconds = (frame["host_time"] - frame["host_time"].iloc[0]).dt.total_seconds().to_numpy()
    pressure = frame["PT-1"].to_numpy() * 1e5 + 1e5  # bar(g)
    smooth = frame["PT-1"].rolling(100, center=True).mean().to_numpy() * 1e5 + 1e5
    high = np.flatnonzero(smooth > 0.99 * np.nanmean(smooth[smooth > 0.95 * np.nanmax(smooth)]))
    top = int(high[-1])
    time_, value = seconds[top : top + 9000] - seconds[top], pressure[top : top + 9000]
    volume = 30e-3 - 9.98 / 998.2

    def model(at: np.ndarray, cda: float, exponent: float, start: float) -> np.ndarray:
        def rate(_: float, state: np.ndarray) -> list[float]:
            return [cda * np.sqrt(2.0 * max(start * (volume / state[0]) ** exponent - 1e5, 0.0) / 998.2)]

        solution = solve_ivp(rate, (0.0, float(at[-1])), [volume], t_eval=at, rtol=1e-8)
        return np.asarray(start * (volume / solution.y[0]) ** exponent)

    found, _ = curve_fit(model, time_, value, p0=[1.2e-5, 1.3, float(value[0])])
    return {
        "seconds": time.perf_counter() - begin,
        "processor": time.process_time() - used,
        "memory": peak() - before,
        "cda": found[0],
        "exponent": found[1],
    }


def apart(which: str, run: Path) -> dict[str, float]:
    """Do one of the two in a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_analyse", "--do", which, str(run)]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise SystemExit(done.stderr)
    found: dict[str, float] = json.loads(done.stdout)
    return found


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=6_000_000)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--do", choices=("ours", "straightforward"), help=argparse.SUPPRESS)
    parser.add_argument("run", nargs="?", type=Path, help=argparse.SUPPRESS)
    told = parser.parse_args()
    if told.do:
        print(json.dumps({"ours": ours, "straightforward": straightforward}[told.do](told.run)))
        return
    with tempfile.TemporaryDirectory() as folder:
        run = make_run(Path(folder), told.rows)
        best = {
            name: min((apart(name, run) for _ in range(told.repeats)), key=lambda found: found["seconds"])
            for name in ("ours", "straightforward")
        }
    used = told.rows * (8 * len(COLUMNS) + 4) / 2**20
    mine, script = best["ours"], best["straightforward"]
    for name, found in best.items():
        print(
            f"{name:16s} {found['seconds']:6.2f} s, processor {found['processor']:.2f} s, memory"
            f" {found['memory']:.0f} MB, CdA {1e6 * found['cda']:.3f} mm2, exponent {found['exponent']:.3f}"
        )
    print(
        f"{told.rows:,} rows: {mine['seconds']:.2f} s (wanted: <= {WANTED_SECONDS:g}), memory"
        f" {mine['memory'] / used:.2f} of the {used:.0f} MB of columns used (wanted: <= {WANTED_MEMORY:g}); the script"
        f" takes {script['processor'] / mine['processor']:.1f} times the processor's time and"
        f" {script['memory'] / mine['memory']:.1f} times the memory"
    )


if __name__ == "__main__":
    main()
