"""Readings sheets as a crew would type them, drawn with known errors."""

import datetime as dt

import numpy as np

LEVELS = (0, 12, 24, 36, 48, 60)
PLACE = (
    'place = { liquid = "water", sensor_above_reference = "0.30 +/- 0.01 m", latitude = "52.1 deg", height = "40 m" }'
)
GAUGE = 'reference = { what = "test gauge", serial = "G-17", class = "0.25 % of 60 bar(g)" }'
WATER = 998.2 * 9.8125 * 0.30 / 1e5  # bar that 0.30 m of water take off
JUGS = 'reference = { what = "dead weights", serial = "S-3", scale_interval = "10 g" }'


def clock(seconds):
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}"


def pressure_sheet(*, runs=3, gain=1.0, seed=1, reference=GAUGE, extra="", state="as found", repeat=1e-5):
    """A sheet of PT-11, 60 bar(g), ratiometric: 0.1 V/V at zero, 0.9 V/V at 60 bar."""
    random = np.random.default_rng(seed)
    parts = [
        f'tag = "PT-11"\nby = "DAQ"\n'
        f'sensor = {{ serial = "PT-4411", state = "{state}", signal_unit = "V/V" }}\n{reference}\n{PLACE}\n{extra}\n'
    ]
    for run in range(runs):
        span = 0.8 * gain * (1.0 + 1e-4 * random.standard_normal())
        rows = []
        for number, (level, way) in enumerate(_ways(LEVELS)):
            signal = 0.1 + span * (level - WATER) / 60.0 + repeat * random.standard_normal()
            rows.append(
                f'["{level} bar(g)", "{way}", "{clock(9 * 3600 + 1800 * run + 60 * number)}", "{signal:.6f} V/V"]'
            )
        parts.append(_run(rows))
    return "".join(parts)


def cell_sheet(*, runs=3, seed=2, reference=JUGS, place='place = { latitude = "45 deg" }', jugs=10, extra=""):
    """A sheet of LC-1, 5 kN, bridge: jugs of 20 kg hung one after the other, 0.4 mV/V for each kN."""
    random = np.random.default_rng(seed)
    parts = [
        f'tag = "LC-1"\nsensor = {{ serial = "LC-2207", state = "as left", signal_unit = "mV/V" }}\n'
        f"{reference}\n{place}\n{extra}\n"
    ]
    for run in range(runs):
        rows = []
        for number, (count, way) in enumerate(_ways(range(jugs + 1))):
            signal = 0.02 + 4e-4 * 196.0945 / 20.0 * 20.0 * count + 1e-6 * random.standard_normal()
            time = clock(9 * 3600 + 3600 * run + 60 * number)
            rows.append(f'["{20 * count} kg", "{way}", "{time}", "{signal:.7f} mV/V"]')
        parts.append(_run(rows))
    return "".join(parts)


def _ways(levels):
    levels = list(levels)
    return [(level, "up") for level in levels] + [(level, "down") for level in levels[-2::-1]]


def _run(rows):
    return '[[run]]\ntemperature = "18.5 +/- 0.5 degC"\nreadings = [\n  ' + ",\n  ".join(rows) + ",\n]\n"


def sheet_of(campaign, tag, day=None):
    """Say where the sheet of a day lies."""
    return campaign / "readings" / f"{tag}_{day or dt.datetime.now().astimezone().date()}.toml"


def write_sheet(campaign, text, *, tag="PT-11", day=None):
    """Write a sheet into a campaign; return its path."""
    path = sheet_of(campaign, tag, day)
    path.parent.mkdir(exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path
