"""A campaign for the emulated board: its stand, a transducer calibrated on that very converter, a recording of it.

Pressures are bar, gauge: the transducer is ratiometric, 10 % of the supply at 0 bar and 90 % at SPAN.
"""

import datetime as dt
import json
import signal
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from standbook.cli.starter import write_campaign
from tests.campaign_fixture import edit
from tests.cli.made_run import ended, standbook
from tests.emulator.board import PATIENCE, SUPPLY_MV, TOP, Board

SPAN = 16.0  # [bar]
RESOLUTION = SPAN / (0.8 * TOP)  # of one count [bar]
TAG = "PT-11"  # of the transducer; other inputs are taken as counts, IN-k


@dataclass(frozen=True, slots=True)
class Wiring:
    """What the stand must know of the sketch."""

    device: str
    serial: str
    baud: int
    wires: tuple[str, ...]  # the first one carries the transducer
    line: str = ""  # whose rising edge is T-0
    text_lines: str = ""  # a [device.text_lines] table


def millivolt_of(pressure: np.ndarray) -> np.ndarray:
    """Say what the transducer gives."""
    return SUPPLY_MV * (0.1 + 0.8 * pressure / SPAN)


def pressure_at(seconds: np.ndarray) -> np.ndarray:
    """Give a simulated decay in a tank: 9 bar until 4 s, then falling as a blowdown does. [bar]"""
    return 9.0 * (1.0 + 0.04 * np.maximum(seconds - 4.0, 0.0)) ** -1.3


def write_emulated_campaign(folder: Path, wiring: Wiring) -> Path:
    """Write a campaign whose stand is the emulated board; give the path of its plan."""
    today = dt.datetime.now().astimezone().date()
    campaign = write_campaign(folder, today=today)
    for old in (campaign / "calibrations").iterdir():
        old.unlink()
    (campaign / "stand.toml").write_text(_stand(wiring), encoding="utf-8")
    (campaign / f"calibrations/{TAG}_r01.toml").write_text(_calibration(today), encoding="utf-8")
    plan = campaign / "plans/WF-03.toml"
    named = plan.read_text(encoding="utf-8").partition("calibrations = ")[2].partition("\n")[0]
    edit(plan, named, f'["{TAG}_r01"]')
    edit(plan, "cradle-a valve rising", f"{wiring.device} {wiring.line} rising" if wiring.line else "detected opening")
    edit(plan, '"30 min"', '"2 min"')
    return plan


def _stand(wiring: Wiring) -> str:
    told = ['name = "quarry-cradle"\nnozzle = "down"\ntanks_on_cell = false\n\n[[device]]']
    told += [f'name = "{wiring.device}"\nserial = "{wiring.serial}"\nbaud = {wiring.baud}']
    told += [f'format = "{"text lines" if wiring.text_lines else "wire 1"}"\nclock_tolerance = "50 ppm"']
    told += [f"[device.text_lines]\n{wiring.text_lines}"] if wiring.text_lines else []
    for k, wire in enumerate(wiring.wires):
        told += [f'\n[[input]]\ndevice = "{wiring.device}"\nwire = "{wire}"']
        if k == 0:
            told += [f'tag = "{TAG}"\nmeasures = "tank pressure"\ntank = "oxidiser"\nsensor_serial = "PT-4411"']
            told += [f'kind = "ratiometric"\nvolt_per_count = "{SUPPLY_MV / TOP:.9g} mV"\nsupply = "5.000 V"']
        else:
            told += [f'tag = "IN-{k}"\nmeasures = "other"\nkind = "counts"']
    return "\n".join(told) + "\n"


def _calibration(today: dt.date) -> str:
    slope = SPAN / 0.8
    # A count stands for all voltages from its own on to the next: on average half a count more than it says.
    zero = slope * (0.5 - 0.1 + 0.5 / TOP)
    return (
        f'tag = "{TAG}"\nrevision = "r01"\nsensor = "pressure transducer, 0 to 16 bar, ratiometric 0.5-4.5 V"\n'
        f'sensor_serial = "PT-4411"\ndate = {today}\nvalid_until = {today + dt.timedelta(days=365)}\n'
        f'signal_unit = "V/V"\nreading_unit = "bar(g)"\nlowest = 0.0\nhighest = {SPAN}\npivot = 0.5\n'
        f"coefficients = [{zero!r}, {slope!r}]\ncovariance = [[1e-6, 0.0], [0.0, 1e-6]]\n"
    )


@dataclass(frozen=True, slots=True)
class Recorded:
    """A sealed run."""

    folder: Path
    code: int
    said: str
    samples: pd.DataFrame
    device: dict  # its part of record.json

    @property
    def gaps(self) -> list[dict]:
        """Return the stated gaps of its stream."""
        (stream,) = self.device["streams"].values()
        return stream["gaps"]

    def counts(self, inputs: int) -> np.ndarray:
        """Return the recorded counts in the order of the board's inputs."""
        names = [TAG, *(f"IN-{k}" for k in range(1, inputs))]
        return self.samples[[f"{name}.counts" for name in names]].to_numpy()


def record_board(plan: Path, wiring: Wiring, port: Path, board: Board) -> Recorded:
    """Record a board with the command itself, as a process of its own, until the board comes to its "tell"."""
    recorder = standbook(
        "record",
        plan,
        "--postdiction",
        "--plain",
        "--no-analysis",
        "--port",
        f"{wiring.device}={port}",
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    with ended(recorder):
        board.wait_until_told()
        recorder.send_signal(signal.SIGINT)
        out, err = recorder.communicate(timeout=PATIENCE)
    (folder,) = (plan.parents[1] / "runs").iterdir()
    assert (folder / "record.json").is_file(), out + err
    (samples,) = (folder / "samples").glob("*.parquet")
    record = json.loads((folder / "record.json").read_text(encoding="utf-8"))
    return Recorded(folder, recorder.returncode, out + err, pd.read_parquet(samples), record["devices"][wiring.device])
