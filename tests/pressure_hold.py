"""A pressure hold of the starter's oxidiser tank: its plan, and a record whose truth is written out by hand."""

import numpy as np

from standbook.daq.rehearsal.played_levels import ROWS_A_SECOND, played_board

PLAN = """\
[test]
number = "PH-01"
kind = "pressure hold"
stand = "quarry-cradle"
article = "Teasel-2, oxidiser side"
objective = "does the oxidiser side hold its gas"
minimum_data = ["PT-11"]

[site]
ambient_pressure = "97.8 +/- 0.15 kPa(a)"
ambient_temperature = "15 +/- 1 degC"

[hold]
wanted = "WANTED"
settle = "SETTLE"

[recording]
planned_duration = "7 min"

[[tank]]
name = "oxidiser"
liquid = "water"
liquid_density = "999.1 +/- 0.5 kg/m3"
pressurant = "nitrogen"
internal_volume = "24.00 +/- 0.05 L"
liquid_load = "9.40 +/- 0.02 kg"
start_pressure = "31.0 +/- 0.3 bar(g)"
ullage_exponent = "1.4 +/- 0.1"
feed_cda = "30 +/- 1 mm2"
"""
BEGUN, PRESSURISED, HELD, VENTED = 5.0, 25.0, 400.0, 430.0  # s
GAS_MASS = (24.00e-3 - 9.40 / 999.1) * 32e5 / (296.8 * 288.15)  # kg of an ideal gas; real nitrogen is 0.7 % denser


def plan_in(campaign, *, wanted="0.1 g/min", settle="1 min", thermometer=True):
    """Write the plan into a campaign, whose thermometer is on the oxidiser tank's wall, or on none."""
    from standbook.daq.config.plan import read_plan

    names = read_plan(campaign / "plans" / "WF-03.toml").calibrations
    listed = ", ".join(f'"{name}"' for name in names)
    stand = campaign / "stand.toml"
    text = stand.read_text("utf-8")
    if not thermometer:
        head, _, rest = text.partition('tag = "TC-11"\n')
        text = head + 'tag = "TC-11"\n' + rest.replace('tank = "oxidiser"', "#", 1)
    stand.write_text(text, encoding="utf-8")
    place = campaign / "plans" / "PH-01.toml"
    place.write_text(
        f"calibrations = [{listed}]\n{PLAN.replace('WANTED', wanted).replace('SETTLE', settle)}", encoding="utf-8"
    )
    return place


def course(rate):
    """Pressure in bar(g) over all rows: pressurised, held while a mass rate [kg/s] leaves, vented."""
    time = np.arange(round(VENTED * ROWS_A_SECOND)) / ROWS_A_SECOND
    left = 1.0 - rate * np.maximum(time - PRESSURISED, 0.0) / GAS_MASS
    held = 31.978 * left - 0.978
    rising = 31.0 * np.clip((time - BEGUN) / (PRESSURISED - BEGUN), 0.0, 1.0)
    return np.where(time < PRESSURISED, rising, np.where(time < HELD, held, 0.0))


def played(campaign, rate, *, kelvin=288.15):
    """What the board says of it."""
    pressure = course(rate)
    readings = {"PT-11": pressure, "PT-12": pressure.copy()}
    if "TC-11" in campaign.calibrations:
        readings["TC-11"] = np.full(pressure.size, kelvin - 273.15)
    return played_board(campaign.stand, "cradle-a", campaign.calibrations, readings, np.random.default_rng(5))
