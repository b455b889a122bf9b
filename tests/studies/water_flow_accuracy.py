"""Are CdA and exponent of a cold flow as accurate as needed, and do they know how accurate they are?

Rehearsed water flows with every error drawn: notes, hardware, heat transfer, sensor, clock, bucket. Each goes through
counts and the whole analysis. The reference case is a tank that is one third full (gas volume times 1.5), 35 bar
absolute, 10 s, nitrogen, a sensor of 50 bar at 1 kHz with 0.1 % of noise, valve closed early. Limits there: CdA bias
0.3 %, sd 0.5 %; chord exponent bias 0.01, sd 0.015; sd of error/u 0.8 to 1.2. Run from the project's folder:

    python -m tests.studies.water_flow_accuracy --runs 100
"""

import argparse
import dataclasses
import datetime as dt
import math
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standbook.analysis.kinds.registry import analyse
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import rehearse
from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of
from tests.worlds.scales import shown

TODAY = dt.date(2031, 6, 14)
FULL_SCALE = 50.0  # bar
# Half-widths read as rectangular: u = a / sqrt(3). Gain 0.5 %, zero 0.25 % of full scale, ullage 2 %, mass 0.5 %.
GAIN_U = 0.5 / math.sqrt(3.0)  # %
ZERO_U = 0.0025 * FULL_SCALE / math.sqrt(3.0)  # bar
VOLUME_U = 0.02 * 20.0 / math.sqrt(3.0)  # L, of 20 L ullage
MASS_SHARE_U = 0.005 / math.sqrt(3.0)
EXPECTED = frozenset({"needs-external-check", "no-calibration", "no-prediction", "ran-to-run-out"})  # of every such run
WHITE_NOISE = 0.001 / 0.0008  # 0.1 % of full scale over what the simulated transmitter has

STAND = """
name = "bench"
nozzle = "horizontal"
tanks_on_cell = false

[[device]]
name = "box"
serial = "0001"
baud = 1000000
format = "wire 1"
clock_tolerance = "50 ppm"

[[input]]
device = "box"
wire = "adc0"
tag = "PT-1"
measures = "tank pressure"
tank = "tank"
sensor_serial = "PT-0001"
kind = "loop"
volt_per_count = "0.125 mV"
burden = "150.0 ohm"
"""

CALIBRATION = f"""
tag = "PT-1"
revision = "r01"
sensor = "pressure transmitter, 0 to 50 bar, 4-20 mA"
sensor_serial = "PT-0001"
date = 2031-06-02
valid_until = 2032-06-02
place = "bench"
reference_standard = "test gauge"
signal_unit = "mA"
reading_unit = "bar(g)"
lowest = 0.0
highest = {FULL_SCALE}
pivot = 12.0
coefficients = [25.0, 3.125]
covariance = [[0.0, 0.0], [0.0, 0.0]]
reference_uncertainty = "{GAIN_U:.4f} %"
zero_uncertainty = {ZERO_U:.5f}
latency = "1.0 ms"
"""

PLAN = f"""
calibrations = ["PT-1_r01"]

[test]
number = "WF-R"
kind = "water flow"
stand = "bench"
article = "Reference tank"
objective = "CdA within 1 %"
minimum_data = ["PT-1"]
t_zero = "box valve rising"

[site]
ambient_pressure = "1000 +/- 5 mbar(a)"
ambient_temperature = "20 +/- 1 degC"
mains = "50 Hz"

[[tank]]
name = "tank"
liquid = "water"
liquid_density = "998.2 +/- 0.4 kg/m3"
pressurant = "nitrogen"
internal_volume = "30.00 +/- {VOLUME_U:.3f} L"
liquid_load = "9.98 +/- 0.03 kg"
internal_diameter = "230 mm"
start_pressure = "35.0 +/- 0.1 bar(a)"
ullage_exponent = "1.40 +/- 0.08"
feed_cda = "12.8 +/- 0.2 mm2"
cda_basis = "drawing"

[flow]
end = "valve closed early"
close_after = "10 s"
"""


@dataclass(frozen=True)
class Accuracy:
    """Errors of many runs of one plan."""

    cda: np.ndarray  # percent
    cda_pull: np.ndarray  # error over claimed standard uncertainty
    chord: np.ndarray
    chord_pull: np.ndarray
    cda_u: np.ndarray  # percent
    chord_u: np.ndarray
    findings: Counter  # runs in which a finding was raised, those left out that every such run has

    def lines(self, name):
        yield f"{name}: {self.cda.size} runs"
        for what, error, pull, u, unit, digits in (
            ("direct CdA", self.cda, self.cda_pull, self.cda_u, " %", 3),
            ("chord exponent", self.chord, self.chord_pull, self.chord_u, "", 4),
        ):
            inside = 100.0 * np.mean(np.abs(pull) <= 1.96)
            yield (
                f"  {what:15s} bias {np.mean(error):+.{digits}f}{unit}  sd {np.std(error, ddof=1):.{digits}f}{unit}  "
                f"mean u {np.mean(u):.{digits}f}{unit}  sd(error/u) {np.std(pull, ddof=1):.3f}  "
                f"inside 95 % {inside:.1f} %"
            )
        yield f"  runs with findings: {dict(self.findings) or 'none'}"


def reference_campaign():
    """Return the reference case as a campaign of its own."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        for path, text in (
            ("stand.toml", STAND),
            ("calibrations/PT-1_r01.toml", CALIBRATION),
            ("plans/WF-R.toml", PLAN),
        ):
            (place / path).parent.mkdir(exist_ok=True)
            (place / path).write_text(text, encoding="utf-8")
        return read_campaign(place / "plans" / "WF-R.toml", today=TODAY)


def demo_campaign(number):
    """Return a water flow of the starter campaign."""
    with tempfile.TemporaryDirectory() as folder:
        place = write_campaign(Path(folder), today=TODAY)
        return read_campaign(place / "plans" / f"{number}.toml", today=TODAY)


def reference_run(campaign, seed, errors=None):
    """Rehearse the reference case: more noise and a coarser scale than the simulated stand has by itself."""
    draw = Draw(seed, errors or Errors(noise=WHITE_NOISE))
    made_up = rehearse(campaign, draw)
    true = shown(made_up.truth.expelled_mass["tank"], 998.2, 1e5, 293.15)  # on the scale
    u = MASS_SHARE_U * true
    caught = {"tank": {"caught": f"{true + u * draw.normal('weighing', 'scale'):.4f} +/- {u:.4f} kg"}}
    return dataclasses.replace(made_up, weighings=caught)


def demo_run(campaign, seed, errors=None):
    return rehearse(campaign, Draw(seed, errors or Errors()))


def accuracy(campaign, play, runs, seed=0):
    """Rehearse and analyse ``runs`` times."""
    (tank,) = campaign.plan.tank
    rows, codes = [], Counter()
    for k in range(runs):
        made_up = play(campaign, 1000 + seed + k)
        results = analyse(dataset_of(campaign, made_up)).results
        found, truth = results.tanks[tank.name], made_up.truth
        cda, chord = found.cda, found.exponent.chord
        true_cda, true_chord = truth.cda[tank.name], truth.exponent_chord[tank.name]
        rows.append(
            (
                100.0 * (cda.value / true_cda - 1.0),
                (cda.value - true_cda) / cda.u,
                chord.value - true_chord,
                (chord.value - true_chord) / chord.u,
                100.0 * cda.u / true_cda,
                chord.u,
            )
        )
        codes.update({f"{f.severity} {f.code}" for f in results.findings if f.code not in EXPECTED})
    return Accuracy(*np.array(rows).T, codes)


def run_dry(campaign, close_after="60 s"):
    """Return the campaign with a valve that stays open until the liquid is out, as the plan then says."""
    flow = campaign.plan.flow.model_copy(update={"end": "run-out", "close_after": parse_quantity(close_after, "time")})
    return dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"flow": flow}))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=100)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    reference = reference_campaign()
    clean = analyse(dataset_of(reference, reference_run(reference, 1, Errors.none()))).results.tanks["tank"]
    true = reference_run(reference, 1, Errors.none()).truth
    print(
        f"clean: CdA error {100.0 * (clean.cda.value / true.cda['tank'] - 1.0):+.4f} %, chord exponent error "
        f"{clean.exponent.chord.value - true.exponent_chord['tank']:+.5f} at {true.exponent_chord['tank']:.4f}"
    )
    cases = (
        ("reference case, valve closed early", reference, reference_run),
        ("reference case, run to the knee", run_dry(reference), reference_run),
        ("WF-03 of the demonstration", demo_campaign("WF-03"), demo_run),
        ("WF-04 of the demonstration", demo_campaign("WF-04"), demo_run),
    )
    for name, campaign, play in cases:
        for line in accuracy(campaign, play, asked.runs, asked.seed).lines(name):
            print(line, flush=True)


if __name__ == "__main__":
    main()
