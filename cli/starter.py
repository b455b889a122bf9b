"""Write a commented, working campaign to begin from: the invented engine Teasel-2 on the Quarry Cradle.

Stand and plans are copied from ``starter_files``; calibrations are fitted here to points such as a crew would
take, so that coefficients, covariance and points agree.
"""

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config.calibration import fit_polynomial
from standbook.daq.config.campaign import CALIBRATIONS, PLANS, STAND_FILE
from standbook.daq.errors import ConfigError, RecordError
from standbook.daq.storage.atomic_write import atomic_path
from standbook.daq.storage.durable_file import reason

PLAN_FILES = ("WF-03.toml", "WF-04.toml", "HF-02.toml")
HOLD_FILE = "PH-01.toml"
BLANK_PLANS = (("WF-01", "WF-03.toml"), ("HF-01", "HF-02.toml"))  # number, and the plan that its examples are of
KEPT = {  # of a blank plan: what holds for any crew, by table
    "test": ("number", "kind", "stand", "repeat_if_lost_longer_than"),
    "site": (),
    "engine": (),
    "tank": ("name", "liquid", "pressurant"),
    "flow": ("end",),
    "impulse_class": ("limit", "limit_name", "guard", "also_at_vacuum"),
    "recording": ("free_space_factor", "planned_duration"),
}
BLANK_HEAD = """\
# What stands behind "# " is an example of another engine: put your own in its place and take the "# " away.
# standbook predict lists what is missing.

calibrations = []   # once they are made: ["LC-1_r01", "PT-11_r01"]

"""
SEED = 20310614  # the scatter of the simulated calibration points


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensor:
    """One simulated sensor on the calibration bench."""

    tag: str
    revision: str
    sensor: str
    serial: str
    signal_unit: str
    reading_unit: str
    lowest: float
    highest: float
    zero_signal: float
    slope: float  # reading_unit per signal_unit
    scatter: float  # standard deviation of one point, in reading_unit
    reference: str
    reference_uncertainty: str
    zero_uncertainty: float
    latency: str = "0 ms"
    interaction: str = ""


def _ratiometric(tag: str, serial: str, full: float) -> Sensor:
    return Sensor(
        tag=tag,
        revision="r02",
        sensor=f"pressure transducer, 0 to {full:g} bar, ratiometric 0.5-4.5 V",
        serial=f"PT-{serial}",
        signal_unit="V/V",
        reading_unit="bar(g)",
        lowest=0.0,
        highest=full,
        zero_signal=0.1,
        slope=full / 0.8,
        scatter=0.0004 * full,
        reference="test gauge on a hand pump, clean dry nitrogen",
        reference_uncertainty="0.12 %",
        zero_uncertainty=0.001 * full,
        latency="0.5 ms",
    )


def _loop(tag: str, serial: str, full: float) -> Sensor:
    return Sensor(
        tag=tag,
        revision="r02",
        sensor=f"pressure transmitter, 0 to {full:g} bar, 4-20 mA",
        serial=f"PT-{serial}",
        signal_unit="mA",
        reading_unit="bar(g)",
        lowest=0.0,
        highest=full,
        zero_signal=4.0,
        slope=full / 16.0,
        scatter=0.0005 * full,
        reference="test gauge on a hand pump, clean dry nitrogen",
        reference_uncertainty="0.12 %",
        zero_uncertainty=0.0012 * full,
        latency="1.0 ms",
    )


SENSORS = (
    Sensor(
        tag="LC-1",
        revision="r04",
        sensor="load cell, tension and compression, 5 kN",
        serial="LC-2207",
        signal_unit="mV/V",
        reading_unit="N",
        lowest=-1000.0,
        highest=5000.0,
        zero_signal=0.0,
        slope=2500.0,
        scatter=1.5,
        reference="reference cell in the thrust line, lines connected and pressurised",
        reference_uncertainty="0.40 %",
        zero_uncertainty=2.0,
        latency="0.3 ms",
        interaction=(
            "\n[stand_interaction]              # hoses and flexures, from the in-place pull\n"
            'factor = "1.000 +/- 0.003"\n'
            'line_load = "0.0 +/- 0.05 N/bar"\n'
            'angle = "1 deg"                 # of thrust against cell, as the inclinometer leaves it open\n'
        ),
    ),
    _ratiometric("PT-11", "4411", 60.0),
    _loop("PT-12", "9032", 60.0),
    _ratiometric("PT-13", "4413", 60.0),
    _ratiometric("PT-21", "4421", 60.0),
    _loop("PT-22", "9035", 60.0),
    _ratiometric("PT-23", "4423", 60.0),
    _ratiometric("PT-31", "4431", 40.0),
    _loop("PT-32", "9041", 40.0),
    Sensor(
        tag="TC-11",
        revision="r01",
        sensor="thermocouple amplifier, 10 mV/K",
        serial="TC-0611",
        signal_unit="V",
        reading_unit="degC",
        lowest=-200.0,
        highest=100.0,
        zero_signal=2.5,
        slope=100.0,
        scatter=0.5,
        reference="ice bath and boiling liquid nitrogen",
        reference_uncertainty="0.50 %",
        zero_uncertainty=1.0,
    ),
    Sensor(
        tag="VS-1",
        revision="r01",
        sensor="sensor supply, sensed at the stand",
        serial="VS-0001",
        signal_unit="V",
        reading_unit="V",
        lowest=4.0,
        highest=6.0,
        zero_signal=0.0,
        slope=1.0,
        scatter=0.0005,
        reference="bench multimeter",
        reference_uncertainty="0.03 %",
        zero_uncertainty=0.0003,
    ),
)


def write_campaign(folder: Path, *, today: dt.date, name: str = "teasel-2") -> Path:
    """Write a commented, working campaign into ``folder / name``.

    Parameters
    ----------
    folder : Path
        Where the campaign folder is made.
    today : date
        The calibrations are dated a few days before it and hold for a year.
    name : str
        Name of the campaign folder.

    Raises
    ------
    ConfigError
        The campaign folder exists already.
    RecordError
        The disk refuses; nothing half-written is left.
    """
    campaign = folder / name
    with _new_folder(campaign) as beside:
        _write_files(beside, today)
    return campaign


def write_blank_campaign(campaign: Path, stand: bytes, stand_name: str) -> None:
    """Write a campaign about a stand that was recorded: plans whose values are left out, each with an example.

    Parameters
    ----------
    campaign : Path
        The folder that is made.
    stand : bytes
        Its stand file.
    stand_name : str
        What the stand calls itself.

    Raises
    ------
    ConfigError, RecordError
        As for :func:`write_campaign`.
    """
    files = resources.files("standbook.cli") / "starter_files"
    with _new_folder(campaign) as beside:
        for path in (beside / PLANS, beside / CALIBRATIONS):
            path.mkdir(parents=True)
        (beside / STAND_FILE).write_bytes(stand)
        for number, source in BLANK_PLANS:
            text = blank_plan((files / source).read_text(encoding="utf-8"), number, stand_name)
            (beside / PLANS / f"{number}.toml").write_text(text, encoding="utf-8")


def blank_plan(text: str, number: str, stand_name: str) -> str:
    """Turn a working plan into one whose values stand behind a mark, as examples; ``KEPT`` stays."""
    written = {"number": number, "stand": stand_name}
    table, key, lines = "", "", [BLANK_HEAD.rstrip("\n"), ""]
    for line in text[text.index("[test]") :].splitlines():
        if line.startswith("["):
            table, key = line.partition("]")[0].strip("["), ""
        elif line[:1].isalpha():
            key = line.partition(" =")[0]
        stays = not line or (table in KEPT and (not key or key in KEPT[table]))
        line = f'{key} = "{written[key]}"' if table == "test" and key in written else line
        lines.append(line if stays or line.startswith("#") else f"# {line}")
    return "\n".join((*lines, ""))


@contextmanager
def _new_folder(campaign: Path) -> Iterator[Path]:
    """Give a folder that takes the campaign's place once it is written; what exists is never written over."""
    if campaign.exists():
        raise ConfigError(f"{campaign}: exists already; choose another folder, nothing was written")
    try:
        campaign.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise RecordError(f"{campaign}: cannot be made: {reason(error)}") from error
    with atomic_path(campaign) as beside:
        yield beside


def _write_files(campaign: Path, today: dt.date) -> None:
    files = resources.files("standbook.cli") / "starter_files"
    for path in (campaign / PLANS, campaign / CALIBRATIONS):
        path.mkdir(parents=True)
    (campaign / STAND_FILE).write_text((files / STAND_FILE).read_text(encoding="utf-8"), encoding="utf-8")
    for plan in (*PLAN_FILES, HOLD_FILE):
        (campaign / PLANS / plan).write_text((files / plan).read_text(encoding="utf-8"), encoding="utf-8")
    random = np.random.default_rng(SEED)
    for sensor in SENSORS:
        path = campaign / CALIBRATIONS / f"{sensor.tag}_{sensor.revision}.toml"
        path.write_text(_calibration_text(sensor, today, random), encoding="utf-8")


def _calibration_text(sensor: Sensor, today: dt.date, random: np.random.Generator) -> str:
    signal, reading = _points(sensor, random)
    pivot = float(np.round(signal.mean(), 4))
    fit = fit_polynomial(signal, reading, 1, pivot)
    half = signal.size // 2
    rows = "".join(
        f'    [{x!r}, {y!r}, "{"up" if k < half else "down"}"],\n'
        for k, (x, y) in enumerate(zip(signal.tolist(), reading.tolist(), strict=True))
    )
    c = [f"{value:.9g}" for value in fit.coefficients]
    v = [[f"{value:.6g}" for value in row] for row in fit.covariance]
    return (
        f"# One calibration, never edited, only superseded by a new revision.\n"
        f"# reading = c0 + c1 * (signal - pivot), in reading_unit; covariance is of c0 and c1.\n"
        f'tag = "{sensor.tag}"\nrevision = "{sensor.revision}"\nsensor = "{sensor.sensor}"\n'
        f'sensor_serial = "{sensor.serial}"\n'
        f"date = {today - dt.timedelta(days=12)}\nvalid_until = {today + dt.timedelta(days=353)}\n"
        f'place = "at the stand, through the final cables"\nreference_standard = "{sensor.reference}"\n'
        f'signal_unit = "{sensor.signal_unit}"\nreading_unit = "{sensor.reading_unit}"\n'
        f"lowest = {sensor.lowest!r}\nhighest = {sensor.highest!r}\n"
        f"pivot = {pivot!r}\ncoefficients = [{c[0]}, {c[1]}]\n"
        f"covariance = [[{v[0][0]}, {v[0][1]}], [{v[1][0]}, {v[1][1]}]]\n"
        f'reference_uncertainty = "{sensor.reference_uncertainty}"  # of the standard, relative\n'
        f"zero_uncertainty = {sensor.zero_uncertainty!r}  # standard, how far zero may have moved since\n"
        f'hysteresis_uncertainty = "0.02 %"\nlatency = "{sensor.latency}"\n'
        f"points = [  # signal, reading, direction\n{rows}]\n{sensor.interaction}"
    )


def _points(sensor: Sensor, random: np.random.Generator) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    up = np.linspace(sensor.lowest, sensor.highest, 6)
    applied = np.concatenate([up, up[::-1]])
    seen = applied + random.normal(0.0, sensor.scatter, applied.size)
    signal = sensor.zero_signal + seen / sensor.slope
    return np.round(signal, 6), np.round(applied, 4)
