"""Recordings with something wrong in them, each analysed from its sealed run folder: what is said, and is it right?

One nominal firing (TR-0, which must be silent) and one nominal water flow of the starter campaign are spoilt in one way
at a time: by the crew's files, by a sensor, by the board, by the load. All go from the made-up stand's physics through
counts, bytes and journals into a sealed run folder, and from there the way of ``standbook analyse``; nothing waits for
real time. Run from the project's folder; names limit what is played:

    python -m tests.studies.trap_recordings TR-1 TR-9
"""

import argparse
import dataclasses
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np

from standbook.analysis.analyse import analyse_run
from standbook.analysis.report.write import write_report
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.mistakes import mistaken
from standbook.analysis.simulation.physics import Timeline
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from standbook.cli.quick import look_at
from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import counts_from_signal
from standbook.daq.errors import StandError
from standbook.daq.rehearsal import fault_catalogue
from standbook.daq.rehearsal.sensor_fault_injection import faulty_table
from standbook.daq.run.run_folder import samples_path
from standbook.daq.sealing.rebuild import rebuild
from tests.analysis.three_tones import HUM, with_chug
from tests.campaign_fixture import TODAY, edit
from tests.rehearsed_run import NOW, lock, recorded

# A firing as its plan has it: oxidiser gas and wall so warm that the chord is the plan's 1.45, fuel's 1.30.
NOMINAL = {"oxidiser.heat_factor": 2.0, "oxidiser.wall_temperature": 252.0, "fuel.heat_factor": 0.68}
QUIET = dataclasses.replace(Errors.none(), roughness=1.0, damping=1.0)
SEED = 227  # sensors, weighings: a good day, no drawn error of them above 1.3 standard uncertainties
NEWTONS_A_POUND = 4.4482216152605
CLIP_AT = 2200.0  # N of thrust
# TR-10: of the plan's loads, so that the true impulse is 99.2 % of 40,960 N*s.
ON_THE_LINE = 1.2238
LEAK_FLOW = 1.0e-3  # kg/s into a tank of the water flow


@dataclass(frozen=True)
class Told:
    """What came of one recording."""

    truth: object
    results: object = None
    refusal: str = ""
    look: object = None  # the quick look at it

    def codes(self, *severities):
        return {f.code for f in self.results.findings if not severities or f.severity in severities}

    def said(self, code):
        return next(f.text for f in self.results.findings if f.code == code)


@dataclass(frozen=True)
class Trap:
    """One recording."""

    name: str
    wrong: str
    play: Callable[["Bench", Path], Told]


class Bench:
    """Physics that several recordings share."""

    def __init__(self):
        self.predictions = {}  # by the plan's text

    @cached_property
    def firing(self):
        return self._physics("HF-02", NOMINAL)

    @cached_property
    def water(self):
        return self._physics("WF-03", {})

    def campaign(self, folder, number="HF-02"):
        """Write the starter campaign into a folder of its own."""
        place = folder / "teasel-2"
        if not place.exists():
            write_campaign(folder, today=TODAY)
        return read_campaign(place / "plans" / f"{number}.toml", today=TODAY)

    def _physics(self, number, fixed):
        with tempfile.TemporaryDirectory() as folder:
            campaign = self.campaign(Path(folder), number)
        return self.perform(campaign, fixed)

    @staticmethod
    def perform(campaign, fixed):
        """Perform a campaign's plan without any error but what a chamber always has."""
        world = world_of(campaign.plan, campaign.stand, Draw(1, QUIET, fixed=fixed))
        return perform(world, campaign.stand, Timeline(after=10.0))

    def told(self, folder, *, played=None, physics=None, number="HF-02", draw=None, alter=None, keep=None, **how):
        """Play, record, seal and analyse; ``played`` is the campaign as it really is, the folder's as it was noted."""
        noted = self.campaign(folder, number)
        physics = physics or (self.water if number.startswith("WF") else self.firing)
        rehearsal = instrument(played or noted, physics, draw or Draw(SEED, Errors.sensors_only()))
        if alter:
            rehearsal = alter(rehearsal)
        plan = noted.plan_path.read_text(encoding="utf-8")
        self.predictions[plan] = lock(noted, self.predictions.get(plan))
        if callable(how.get("faults")):
            how["faults"] = how["faults"](rehearsal)
        run = recorded(noted, rehearsal, **how)
        if keep:
            return keep(run, rehearsal.truth)
        return Told(rehearsal.truth, analyse_run(run)[1], look=look_at(run))


def clean(bench, folder):
    return bench.told(folder)


def brown_out(bench, folder):
    return bench.told(folder, faults=[fault_catalogue.BrownOut(at=0.15, seconds=2.1)])


def weight_sign(bench, folder):
    played = bench.campaign(folder)
    edit(played.folder / "stand.toml", "tanks_on_cell = true", "tanks_on_cell = false")
    return bench.told(folder, played=played)


def pounds(bench, folder):
    played = bench.campaign(folder)
    in_pounds(played.folder / "calibrations" / "LC-1_r04.toml")
    return bench.told(folder, played=played)


def in_pounds(path):
    """Write every reading of a calibration in pounds, and leave the unit as it was."""
    calibration = path.read_text(encoding="utf-8")

    def scaled(match):
        return match[1] + ", ".join(f"{float(x) / NEWTONS_A_POUND:.9g}" for x in match[2].split(",")) + match[3]

    for key in ("lowest", "highest", "zero_uncertainty"):
        calibration = re.sub(rf"({key} = )([-\d.e]+)()", scaled, calibration)
    calibration = re.sub(r"(coefficients = \[)([^\]]+)(\])", scaled, calibration)
    for _ in range(2):
        calibration = re.sub(r"(covariance = \[\[)([^\]]+)(\], )", scaled, calibration)
        calibration = re.sub(r"(covariance = \[\[[^\]]+\], \[)([^\]]+)(\]\])", scaled, calibration)
    calibration = re.sub(r"(\[[-\d.]+, )([-\d.]+)(, \"(?:up|down)\"\])", scaled, calibration)
    path.write_text(calibration, encoding="utf-8")


def swapped(bench, folder):
    noted = bench.campaign(folder)
    played = mistaken(noted, Draw(0), "cables-exchanged", 0.0, tank="", tag="PT-11", other="PT-21").played
    pressurising = -bench.firing.timeline.hold - bench.firing.timeline.pressurising
    return bench.told(folder, played=played, marks=[("fuel tank pressurising", "P", pressurising - 0.1)])


def clipped(bench, folder):
    campaign = bench.campaign(folder)
    item, calibration = campaign.stand.input_tagged("LC-1"), campaign.calibrations["LC-1"]
    one, two = counts_from_signal(item, calibration.signal(np.array([0.0, CLIP_AT])), 5.0)

    def saturation(rehearsal):
        counts = rehearsal.table.streams[0].counts[:, 0]
        level = 100.0 * (two - one) / (float(counts.max()) - float(counts[0]))
        return [fault_catalogue.Saturation(tag="LC-1", at=-7.0, level=level)]

    return bench.told(folder, faults=saturation)


def gauge(bench, folder):
    played = bench.campaign(folder, "WF-03")
    edit(played.folder / "calibrations" / "PT-11_r02.toml", 'reading_unit = "bar(g)"', 'reading_unit = "bar(a)"')
    return bench.told(folder, played=played, number="WF-03")


def frozen(bench, folder):
    place = bench.campaign(folder).folder
    without(place, "PT-12")
    return bench.told(folder, faults=[fault_catalogue.FrozenLine(tag="PT-11", at=7.0)])


def without(place, tag):
    """Take a sensor out of stand and plan."""
    stand = place / "stand.toml"
    tables = re.split(r"(?=\n\[\[)", stand.read_text(encoding="utf-8"))
    stand.write_text("".join(t for t in tables if f'tag = "{tag}"' not in t), encoding="utf-8")
    for plan in (place / "plans").iterdir():
        text = re.sub(rf'"{tag}_r\d\d",? ?', "", plan.read_text(encoding="utf-8"))
        plan.write_text(text, encoding="utf-8")


def three_tones(bench, folder):
    place = bench.campaign(folder).folder
    stand, plan = place / "stand.toml", place / "plans" / "HF-02.toml"
    copy = next(t for t in re.split(r"(?=\n\[\[)", stand.read_text("utf-8")) if 'tag = "LC-1"' in t)
    copy = copy.replace('tag = "LC-1"', 'tag = "LC-1S"\nshare = "spare"\nstream = "copy"').replace(
        'wire = "adc0"', 'wire = "adc0s"'
    )
    stand.write_text(stand.read_text("utf-8") + copy, encoding="utf-8")
    edit(plan, '"VS-1_r01"', '"VS-1_r01", "LC-1S_r04"')
    one = place / "calibrations" / "LC-1_r04.toml"
    two = one.read_text("utf-8").replace('tag = "LC-1"', 'tag = "LC-1S"')
    (place / "calibrations" / "LC-1S_r04.toml").write_text(two, encoding="utf-8")
    physics = on_stand(with_chug(bench.firing), bench.campaign(folder).stand)
    draw = Draw(SEED, dataclasses.replace(Errors.sensors_only(), hum=HUM))
    return bench.told(folder, physics=physics, draw=draw)


def clock(bench, folder, *, hours=0.1):
    return bench.told(
        folder, faults=[fault_catalogue.Rollover(at=5.0), fault_catalogue.ClockOff(percent=-0.5)], hours=hours
    )


def on_the_line(bench, folder):
    place = bench.campaign(folder).folder
    for load in (10.66, 7.03):
        edit(place / "plans" / "HF-02.toml", f'liquid_load = "{load:.2f} ', f'liquid_load = "{load * ON_THE_LINE:.3f} ')
    physics = bench.perform(bench.campaign(folder), NOMINAL)
    return bench.told(folder, physics=physics)


def spike(bench, folder):
    return bench.told(
        folder, faults=[fault_catalogue.Spike(tag="LC-1", at=0.02), fault_catalogue.Spike(tag="PT-31", at=0.02)]
    )


def leak_in(bench, folder):
    # Choked nitrogen at 200 bar and 291 K: 0.0396 m/s-kg flux, so that one gram a second takes 0.022 mm2.
    draw = Draw(SEED, Errors.sensors_only())
    campaign = bench.campaign(folder, "WF-03")
    run = mistaken(campaign, Draw(1, QUIET), "supply-leaks-in", 0.0217e-6, tank="oxidiser", tag="PT-11")
    physics = perform(world_of(campaign.plan, campaign.stand, run.draw), campaign.stand, Timeline(after=10.0))
    return bench.told(folder, physics=physics, draw=draw, number="WF-03")


def no_end(bench, folder):
    def keep(run, truth):
        whole = analyse_run(run)[1]
        path = samples_path(run, "cradle-a", "fast")
        path.write_bytes(path.read_bytes()[:-4000])
        try:
            analyse_run(run)
        except StandError as error:
            refused = str(error)
        again = folder / "again"
        rebuild(run, again)
        repeated = analyse_run(again)[1]
        assert repeated.impulse == whole.impulse
        return Told(truth, repeated, refused)

    return bench.told(folder, keep=keep, weighings={})


def sag(bench, folder):
    return bench.told(folder, faults=[fault_catalogue.SupplySag(tag="VS-1", at=0.0, seconds=25.0)])


def sag_unseen(bench, folder):
    played = bench.campaign(folder)
    stand = played.folder / "stand.toml"
    without(played.folder, "VS-1")
    text = stand.read_text("utf-8")
    stand.write_text(re.sub(r'supply = "VS-1".*', 'supply = "5.000 V"', text), encoding="utf-8")

    def alter(rehearsal):
        wrong = fault_catalogue.SupplySag(tag="VS-1", at=8.0, seconds=25.0)  # after the first row: at T+0
        tables = {k: faulty_table(t, [wrong], played.stand.input) for k, t in rehearsal.tables.items()}
        return dataclasses.replace(rehearsal, tables=tables)

    return bench.told(folder, played=played, alter=alter)


def rehearsal_signed(bench, folder):
    def keep(run, truth):
        results = analyse_run(run)[1]
        try:
            write_report(run, now=NOW, for_signature=True)
        except StandError as error:
            return Told(truth, results, str(error))
        return Told(truth, results)

    return bench.told(folder, keep=keep)


TRAPS = (
    Trap("TR-0", "nothing: the clean control", clean),
    Trap("TR-1", "the board browns out at T+0.15 s for 2.10 s and counts from zero", brown_out),
    Trap("TR-2", "the stand file says tanks off the cell; they ride on it", weight_sign),
    Trap("TR-3", "the cell's calibration is in pounds and says newtons", pounds),
    Trap("TR-4", "the cables of PT-11 and PT-21 are exchanged", swapped),
    Trap("TR-5", f"the cell's amplifier saturates at {CLIP_AT:,.0f} N of thrust", clipped),
    Trap("TR-6", "water flow; PT-11 is a gauge sensor and its calibration says absolute", gauge),
    Trap("TR-7", "PT-11's line freezes at T+7 s and stays so into safing; there is no PT-12", frozen),
    Trap("TR-8", "hum at 60 Hz, the stand's mode, a true 83 Hz from T+14 s, a thrust copy at 80 Hz", three_tones),
    Trap("TR-9", "the board's clock rolls over at T+5 s and runs 0.5 % slow", clock),
    Trap("TR-10", f"nothing, but loads {ON_THE_LINE:g} times the plan's: 99.2 % of the limit", on_the_line),
    Trap("igniter spike", "igniter current on LC-1 and PT-31: one sample at the rail at T+0.02 s", spike),
    Trap("supply leaks", "water flow; 1 g/s of nitrogen leaks in past the supply valve", leak_in),
    Trap("no end", "the samples file lost its end", no_end),
    Trap("supply sag", "the sensors' supply sags by 4 % from T+0", sag),
    Trap("supply sag, not logged", "the same where the stand file states 5 V and nothing records it", sag_unseen),
    Trap("rehearsal signed", "a rehearsal is submitted for signature", rehearsal_signed),
)


def lines(told):
    """Yield what a reader is told, worst first."""
    if told.refusal:
        yield f"refused: {told.refusal}"
    if told.results is None:
        return
    results = told.results
    if results.impulse is not None:
        bound = "at least " if results.impulse.lower_bound_only else ""
        true = told.truth.impulse_site
        yield f"impulse {bound}{results.impulse.value:,.0f} +- {results.impulse.expanded:,.0f} N*s (true {true:,.0f})"
    for place, verdict in results.verdicts.items():
        yield f"verdict {place}: {verdict.outcome}. {verdict.reason}."
    order = ("serious", "caution", "note")
    for finding in sorted(results.findings, key=lambda f: order.index(f.severity)):
        if finding.severity != "note" or finding.code not in ORDINARY:
            yield f"{finding.severity} [{finding.code}] {finding.text}"


ORDINARY = {"no-joint-fit", "stiffness-low", "no-calibration"}  # notes of every firing of this stand


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("only", nargs="*", help="names of recordings; all when none is given")
    asked = parser.parse_args()
    bench = Bench()
    for trap in TRAPS:
        if asked.only and trap.name not in asked.only:
            continue
        with tempfile.TemporaryDirectory() as folder:
            told = trap.play(bench, Path(folder))
        print(f"\n{trap.name}: {trap.wrong}")
        for line in lines(told):
            print(f"  {line}", flush=True)


if __name__ == "__main__":
    main()
