"""True sensors and references on a bench, the sheet that a crew would write of them, the calibration made of it.

The truth shares no code with the fit: a sensor with a bow, a loop, a span that differs from run to run, scatter and a
zero that moves; a gauge that is off by a gain and smoothly from level to level, masses each with an error of their own
or all weighed on one scale, a reference cell off by a gain. Readings are in the sensor's own unit.
"""

import dataclasses
import datetime as dt
import math
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standbook.analysis.calibration.readings_sheet import read_sheet
from standbook.analysis.calibration_sheet.calibrate import calibrate_sheet
from standbook.analysis.calibration_sheet.calibration_text import calibration_text
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.toml_document import parse_document
from tests.readings_sheets import write_sheet

DAY = dt.date(2031, 6, 2)
RUNS = 3
RUN_SPAN, LOOP, REPEAT = 2e-4, 1.5e-4, 2e-4  # relative; half of it, of span; of span
BOW = 1e-3  # of span, the most either way
ZERO_FROM_RUN_TO_RUN = 1e-4  # of span
ALIKE = 0.4  # of span: within it a gauge is off alike
GRAVITY = 9.80619920  # m/s² at 45 degrees and sea level, WGS 84
ANOMALY = 1e-4  # relative, the most by which local g differs from the formula
BUOYANCY = 1.2 / 8000.0
WATER, COLUMN, COLUMN_U = 998.2, 0.30, 0.01  # kg/m³, m


@dataclass(frozen=True)
class Sensor:
    """A true sensor: its signal at zero and over its range, bow and half loop as shares of the range."""

    tag: str
    serial: str
    unit: str  # of the reading
    top: float
    signal_unit: str
    zero: float
    span: float
    zero_u: float  # how far zero moves afterwards, standard [unit]
    bow: float = 0.0
    loop: float = 0.0

    def signal(self, reading, *, span=0.0, way=0.0):
        """Return the signal of true readings in a run whose span is off, on the way up (-1) to down (1)."""
        share = np.asarray(reading) / self.top
        bent = 4.0 * share * (1.0 - share)
        return self.zero + self.span * (share * (1.0 + span) + (self.bow + way * self.loop) * bent)


CELL = Sensor("LC-1", "LC-2207", "N", 5000.0, "mV/V", 0.02, 2.0, zero_u=2.0)
TANK = Sensor("PT-11", "PT-4411", "bar(g)", 60.0, "V/V", 0.1, 0.8, zero_u=0.02)
TANK_TWIN = Sensor("PT-12", "PT-9032", "bar(g)", 60.0, "mA", 4.0, 16.0, zero_u=0.02)
FUEL = dataclasses.replace(TANK, tag="PT-21", serial="PT-4421")
CHAMBER = dataclasses.replace(TANK, tag="PT-31", serial="PT-4431", top=40.0)


def drawn(sensor, random):
    """Return a sensor with a bow and a loop of its own, a little off its nominal zero and span."""
    return dataclasses.replace(
        sensor,
        zero=sensor.zero + 2e-3 * sensor.span * random.standard_normal(),
        span=sensor.span * (1.0 + 3e-3 * random.standard_normal()),
        bow=BOW * random.uniform(-1.0, 1.0),
        loop=LOOP,
    )


@dataclass(frozen=True)
class Levels:
    """What the reference shows level by level and what truly reaches the sensor, with the covariance of the two."""

    typed: tuple[str, ...]
    true: np.ndarray  # (L,) [unit of the sensor]
    covariance: np.ndarray  # (L, L) of what is known of the levels [unit²]
    text: str  # of reference and place, as typed


def unit_deviate(random, even):
    """Draw something of standard deviation one: normal, or evenly within its limits."""
    return math.sqrt(3.0) * random.uniform(-1.0, 1.0) if even else random.standard_normal()


@dataclass(frozen=True)
class Gauge:
    """A test gauge: how much it is off by as a share of reading and, smoothly, from level to level. [bar]."""

    by_reading: float
    by_level: float
    claim: str
    span: float = 60.0
    serial: str = "G-17"

    def covariance(self, pressure):
        apart = (pressure[:, None] - pressure[None, :]) / (ALIKE * self.span)
        return self.by_reading**2 * np.outer(pressure, pressure) + self.by_level**2 * np.exp(-0.5 * apart**2)

    def curve(self, random, *, even=False):
        """Draw what this one gauge is off by, as a function of pressure."""
        gain = self.by_reading * unit_deviate(random, even)
        knots = np.linspace(0.0, self.span, 31)
        smooth = dataclasses.replace(self, by_reading=0.0).covariance(knots)
        values, vectors = np.linalg.eigh(smooth)
        wave = vectors @ (np.sqrt(np.maximum(values, 0.0)) * random.standard_normal(knots.size))
        return lambda pressure: gain * pressure + np.interp(pressure, knots, wave)


def gauge_levels(gauge, top, random, *, off=None, even=False, pinned=False):
    """Pump from level to level of a gauge; open to the air it shows what it is off by there, or zero if pinned."""
    off = off or gauge.curve(random, even=even)
    nominal = np.linspace(0.0, top, 6)
    shown = np.concatenate([[0.0 if pinned else off(0.0)], nominal[1:]])
    column = COLUMN + COLUMN_U * random.standard_normal()
    true = np.concatenate([[0.0], nominal[1:] - off(nominal[1:])]) - WATER * GRAVITY * column / 1e5
    text = (
        f'reference = {{ what = "test gauge", serial = "{gauge.serial}", {gauge.claim} }}\nplace = {{ liquid = "water",'
        f' sensor_above_reference = "{COLUMN:.2f} +/- {COLUMN_U:.2f} m", latitude = "45 deg" }}'
    )
    return Levels(tuple(f"{p:.4f} bar(g)" for p in shown), true, gauge.covariance(nominal), text)


CERTIFIED = Gauge(
    0.0012, 7e-4 * 60.0, 'certificate_u = "0.12 %", certificate_level_u = "0.042 bar(d)"', serial="G-20"
)  # known apart
CLASS_U = 0.0025 * 60.0 / math.sqrt(3.0)  # bar


def by_class(share):
    """Return a gauge of class 0.25 with this share of its variance in its gain."""
    return Gauge(math.sqrt(share) * CLASS_U / 60.0, math.sqrt(1.0 - share) * CLASS_U, 'class = "0.25 % of 60 bar(g)"')


def hung(masses, errors, covariance, claim, random):
    """Hang masses one after the other."""
    local = GRAVITY * (1.0 + ANOMALY * random.uniform(-1.0, 1.0)) * (1.0 - BUOYANCY)
    typed = np.concatenate([[0.0], np.cumsum(masses)])
    true = local * np.concatenate([[0.0], np.cumsum(masses + errors)])
    sums = np.tri(masses.size + 1, masses.size, -1)
    force = typed * GRAVITY
    spread = GRAVITY**2 * sums @ covariance @ sums.T + ANOMALY**2 / 3.0 * np.outer(force, force)
    text = f'reference = {{ what = "dead weights", serial = "S-3", {claim} }}\nplace = {{ latitude = "45 deg" }}'
    return Levels(tuple(f"{m:g} kg" for m in typed), true, spread, text)


def stacked_levels(random, *, even=False, claim=None, share=575e-6):
    """Stack ten masses of 50 kg, each with an error of its own."""
    masses = np.full(10, 50.0)
    u = share * masses
    errors = u * np.array([unit_deviate(random, even) for _ in masses])
    each = ", ".join(f'"50 +/- {one:.5f} kg"' for one in u)
    return hung(masses, errors, np.diag(u**2), claim or f"weights = [{each}]", random)


def class_levels(random, *, even=False):
    """Stack ten weights of class M1: within 50 ppm."""
    return stacked_levels(random, even=even, claim='class = "M1"', share=5e-5 / math.sqrt(3.0))


def scale_levels(random, *, even=False):
    """Hang ten loads of 50 kg weighed on one scale in steps of 20 g: within three of them in service, all alike."""
    masses = np.full(10, 50.0)
    u = np.full(10, 3.0 * 0.020 / math.sqrt(3.0))
    return hung(masses, u * unit_deviate(random, even), np.outer(u, u), 'scale_interval = "20 g"', random)


def cell_levels(random, *, even=False):
    """Push a reference cell, certified to u = 0.2 %, and the sensor by one jack."""
    shown = np.linspace(0.0, CELL.top, 6)
    true = shown / (1.0 + 0.002 * unit_deviate(random, even))
    text = 'reference = { what = "reference cell", serial = "RC-1", certificate_u = "0.2 %" }'
    return Levels(tuple(f"{f:g} N" for f in shown), true, np.outer(0.002 * shown, 0.002 * shown), text)


def sheet_text(sensor, levels, random):
    """Write the sheet of three runs up and down."""
    order = [(k, "up", -1.0) for k in range(len(levels.typed))]
    order += [(k, "down", 1.0) for k in range(len(levels.typed) - 2, -1, -1)]
    # a gauge of the normal tail shows less than nothing at the air: the sensor is said to be made for a little less
    made_for = f'["{-0.02 * sensor.top:g} {sensor.unit}", "{sensor.top:g} {sensor.unit}"]'
    parts = [
        f'tag = "{sensor.tag}"\nsensor = {{ serial = "{sensor.serial}", state = "as left", signal_unit = '
        f'"{sensor.signal_unit}", what = "sensor of a study", reading_unit = "{sensor.unit}", range = {made_for}, '
        f'zero_uncertainty = "{sensor.zero_u:g} {sensor.unit}" }}\n{levels.text}\n'
    ]
    for run in range(RUNS):
        span = RUN_SPAN * random.standard_normal()
        zero = ZERO_FROM_RUN_TO_RUN * random.standard_normal()
        rows = []
        for number, (k, way, sign) in enumerate(order):
            noise = zero + REPEAT * random.standard_normal()
            signal = float(sensor.signal(levels.true[k], span=span, way=sign)) + sensor.span * noise
            clock = f"{9 + run:02d}:{number:02d}:00"
            rows.append(f'["{levels.typed[k]}", "{way}", "{clock}", "{signal:.7f} {sensor.signal_unit}"]')
        parts.append(f'[[run]]\ntemperature = "18.5 +/- 0.5 degC"\nreadings = [{", ".join(rows)}]\n')
    return "".join(parts)


def made(text, tag, last=None):
    """Make a sheet into a calibration, as the command does; return what was found, and the file read back."""
    with tempfile.TemporaryDirectory() as folder:
        path = write_sheet(Path(folder), text, tag=tag, day=DAY)
        typed, date = read_sheet(path)
        found = calibrate_sheet(typed, date, last, path.name)
        return found, parse_document(calibration_text(found, "r05", f"readings/{path.name}"), Calibration, path.name)


def bound(sensor, levels, degree, reading, *, tared):
    """Return the u of a later reading that the errors drawn give a curve of this degree. [unit]."""
    rows = np.concatenate([np.arange(len(levels.true)), np.arange(len(levels.true) - 1)])
    powers = np.vander(levels.true[rows] / sensor.top, degree + 1, increasing=True)
    share = reading / sensor.top
    at = share ** np.arange(degree + 1) - (np.arange(degree + 1) == 0) * tared
    lever = at @ np.linalg.pinv(powers)
    reference = lever @ levels.covariance[np.ix_(rows, rows)] @ lever
    scatter = (REPEAT * sensor.top) ** 2 * float(lever @ lever) / RUNS
    run = (RUN_SPAN * reading) ** 2 * (1.0 + 1.0 / RUNS)
    loop = (sensor.loop * sensor.top * 4.0 * share * (1.0 - share)) ** 2 / 3.0
    of_runs = (ZERO_FROM_RUN_TO_RUN * sensor.top) ** 2 * (1.0 + 1.0 / RUNS)
    zero = 0.0 if tared else sensor.zero_u**2 + of_runs
    return math.sqrt(reference + scatter + run + loop + zero)
