"""The starter campaign with a resistance thermometer in place of the thermocouple: TC-11 becomes a Pt100, class B."""

from standbook.cli.starter import write_campaign
from tests.campaign_fixture import TODAY, edit

FULL_COUNTS = 2**23  # of a converter whose reference is the voltage over the reference resistor
THERMOCOUPLE = """sensor_serial = "TC-0611"
kind = "voltage"
volt_per_count = "0.125 mV"
"""
THERMOMETER = f"""sensor_serial = "RT-0611"
kind = "resistance thermometer"
volt_per_count = "{0.5e6 / FULL_COUNTS!r} uV"
supply = "0.500 V"
reference_resistor = "400.0 +/- 0.04 ohm"
nominal = "100 ohm"
"""
CALIBRATION = """tag = "TC-11"
revision = "r01"
sensor = "resistance thermometer, Pt100, four wires"
sensor_serial = "RT-0611"
date = 2031-06-02
valid_until = 2032-06-01
signal_unit = "ohm"
reading_unit = "degC"
lowest = -196.0
highest = 100.0
characteristic = { standard = "IEC 60751", nominal = "100 ohm", tolerance_class = "B" }
"""


def thermometer_campaign(folder):
    """Write the campaign, valid on TODAY; returns the plan of its firing."""
    made = write_campaign(folder, today=TODAY)
    edit(made / "stand.toml", THERMOCOUPLE, THERMOMETER)
    (made / "calibrations" / "TC-11_r01.toml").write_text(CALIBRATION, encoding="utf-8")
    return made / "plans" / "HF-02.toml"
