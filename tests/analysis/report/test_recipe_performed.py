"""The recipe on the report's page, followed by somebody who has the page's words and the samples file, nothing else.

Every number of a step is read off the printed text; what comes out must be what the page says comes out, and differ
from the page's impulse by the per cent that the page prints.
"""

import datetime as dt
import json
import re

import numpy as np
import pandas as pd
import pytest

from standbook.analysis.analyse import analyse_run
from standbook.analysis.report.write import write_report
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.physics import Timeline
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import demo_draw, rehearse
from standbook.analysis.simulation.world import world_of
from standbook.cli.main import run as command
from standbook.daq.other_recorders.import_csv import import_csv
from standbook.daq.run.additions import add
from tests.campaign_fixture import edit
from tests.page_reader import Reader
from tests.pull_sheets import pull_sheet
from tests.rehearsed_run import NOW, lock, recorded
from tests.studies.trap_recordings import NOMINAL, QUIET, Bench, in_pounds, without

pytestmark = pytest.mark.slow

AGREES = 2e-5  # of the impulse that the steps are said to give
NUMBER = r"([−-]?[\d,]+(?:\.\d+)?(?:e[−-]?\d+)?)"
SPAN = r"from T([−+][\d.]+) s to T([−+][\d.]+) s"


def number(text):
    return float(text.replace(",", "").replace("−", "-"))


def span(text):
    found = re.search(SPAN, text)
    assert found, f"no span of time in {text!r}"
    return tuple(map(number, found.groups()))


class Page:
    """The section of a report, step by step."""

    def __init__(self, text):
        start = text.rindex("How to compute it again")
        section = text[start : text.index(" Cautions What", start)]
        self.ambient = number(re.search(rf"Ambient pressure {NUMBER} bar\(a\)", text)[1])
        self.lead, rest = section.split(" Step What to do ")
        self.steps = []
        rest = " " + rest
        while rest:
            now, following = (f" {len(self.steps) + k}. " for k in (1, 2))
            assert rest.startswith(now), rest
            body, found, rest = rest.removeprefix(now).partition(following)
            self.steps.append(body.strip())
            rest = found + rest

    def step(self, name):
        """Return what a step says, ``None`` where the page does not have it."""
        said = [body.removeprefix(name).strip() for body in self.steps if body.startswith(name)]
        assert len(said) <= 1, f"{name} stands twice"
        return said[0] if said else None


class Rows:
    """The samples file that the page names, and what its words mean in columns of it."""

    def __init__(self, run, page):
        self.cell, file = re.search(r"of (\S+) in (samples/\S+?):", page.lead).groups()
        self.frame = pd.read_parquet(run / file)
        self.ambient = page.ambient

    def column(self, name):
        assert name in self.frame, f"the samples file has no column {name!r}"
        return self.frame[name].to_numpy(float)

    def product(self, rule, counts):
        """Follow ``1000 × counts × 2.4e-09 V / the reading of VS-1 in V``."""
        value = np.ones(len(self.frame))
        for sign, factor in re.findall(r"(^|[×/]) ?([^×/]+)", rule):
            if re.match(r"(?:the )?counts\b", factor):
                item = counts
            elif reading := re.match(r"the reading of (\S+) in V", factor):
                item = self.column(reading[1])
            else:
                item = number(re.match(NUMBER, factor)[1])
            value = value / item if sign == "/" else value * item
        return value

    def signal(self, tag, rule):
        return self.product(rule, self.column(f"{tag}.counts"))

    def bar(self, tag, words):
        """Follow ``signal in V/V = rule, bar = (polynomial)``, with what stands behind it."""
        rule, formula = re.search(r"signal in \S+ = (.*?), bar = (.*)", words).groups()
        inner, scale, less = re.fullmatch(
            rf"\((.*)\)(?: × {NUMBER})?(, less the ambient pressure of the plan)?", formula
        ).groups()
        value = polynomial(inner, self.signal(tag, rule)) * (number(scale) if scale else 1.0)
        return value - (self.ambient if less else 0.0)


def polynomial(formula, signal):
    """Follow ``2000.1 + 2500.0 × (signal − 0.8)``, and squares of the bracket."""
    value = np.zeros(len(signal))
    for sign, factor, base, pivot, power in re.findall(
        rf"(^| [+−] ){NUMBER}(?: × (signal|\(signal − {NUMBER}\))([²³]?))?", formula
    ):
        off = signal - (number(pivot) if pivot else 0.0)
        term = number(factor) * (off ** {"": 1, "²": 2, "³": 3}[power] if base else 1.0)
        value = value - term if "−" in sign else value + term
    return value


def areas(time, values):
    return (values[1:] + values[:-1]) / 2.0 * np.diff(time)


def performed(page, run):
    """Perform the printed steps; return the sum [N*s]."""
    rows = Rows(run, page)
    rule = re.match(r"signal in \S+ = (.*)", page.step("Counts to signal"))[1]
    formula = re.match(r"reading in \S+ = (.*)", page.step("Signal to reading"))[1]
    force = polynomial(formula, rows.signal(rows.cell, rule))
    if factor := page.step("Into newtons"):
        force = force * number(re.search(f"multiply by {NUMBER}", factor)[1])
    time = since_t_zero(rows, page.step("Count from T-0"))

    def mean(values, start_end):
        return values[(time >= start_end[0]) & (time <= start_end[1])].mean()

    lines = page.step("Pressure of the lines")
    pressure = mean_pressure(rows, lines) if lines else None
    force = force - mean(force, span(page.step("Subtract the zero")))
    if push := page.step("Take off what the lines push"):
        slope = number(re.match(f"{NUMBER} N/bar", push)[1])
        force = force - slope * (pressure - mean(pressure, span(push)))
    if moved := page.step("What the weight moved") or page.step("What the zero moved"):
        given = re.match(f"W = {NUMBER} N", moved)
        weight = number(given[1]) if given else mean(force, span(moved))
        if later := re.search(f"less {NUMBER} N that left after", moved):
            weight -= number(later[1])
        force = force - weight * share(rows, time, force, page.step("Take out"))
    if gain := page.step("Stand factor"):
        divisor = re.match(rf"divide by {NUMBER}(?: ([+−]) {NUMBER} p)?", gain)
        slope = number(divisor[3]) * (-1.0 if divisor[2] == "−" else 1.0) if divisor[3] else 0.0
        force = force / (number(divisor[1]) + (slope * pressure if divisor[3] else 0.0))
    start, end = span(page.step("Sum"))
    inside = (time >= start) & (time <= end)
    return areas(time[inside], force[inside]).sum()


def since_t_zero(rows, step):
    instant = re.search(r"host_time less (\S+Z)", step)[1]
    late = re.search(f"less {NUMBER} ms that the sensor is late", step)
    ns = rows.frame["host_time"].to_numpy("datetime64[ns]").astype(np.int64) - pd.Timestamp(instant).value
    sequence = int(re.search(r"the first row after it has sequence (\d+)", step)[1])
    assert rows.frame["sequence"].to_numpy()[ns >= 0].min() == sequence
    if tick := re.search(r"tick (\d+) of the device", step):
        number_of = rows.frame["sequence"].to_numpy()
        before, after = (rows.frame["ticks"].to_numpy()[number_of == row][0] for row in (sequence - 1, sequence))
        assert before < int(tick[1]) <= after
    return ns * 1e-9 - (1e-3 * number(late[1]) if late else 0.0)


def mean_pressure(rows, step):
    found = re.findall(r"([A-Z]+-\d+): (signal in .*?)(?=; |$)", step)
    assert found, step
    assert ("p is the mean of both" in step) == (len(found) == 2)
    return np.mean([rows.bar(tag, words) for tag, words in found], axis=0)


def share(rows, time, force, step):
    """Running sum over its total: zero before, one after."""
    by = re.search(r"gauge pressure of (\S+) in the same row \((.*)\), over its total", step)
    trace = rows.bar(by[1], by[2]) if by else force
    assert by or "of what remains, over its total" in step, step
    start, end = span(step)
    inside = np.flatnonzero((time >= start) & (time <= end))
    running = np.concatenate([[0.0], np.cumsum(areas(time[inside], trace[inside]))])
    result = np.where(time < start, 0.0, 1.0)
    result[inside] = running / running[-1]
    return result


# The cases: each is a campaign that was edited, played and noted alike, recorded, sealed, analysed.
def horizontal(place):
    edit(place / "stand.toml", 'nozzle = "down"', 'nozzle = "horizontal"')


def pulled_once(place):
    edit(place / "calibrations" / "LC-1_r04.toml", 'factor = "1.000 +/- 0.003"', 'factor = "1.0150 +/- 0.003"')


def nozzle_up_lines_push(place):
    edit(place / "stand.toml", 'nozzle = "down"', 'nozzle = "up"')
    edit(place / "calibrations" / "LC-1_r04.toml", 'line_load = "0.0 +/- 0.05', 'line_load = "1.5 +/- 0.05')


def pull_with_stiffening(place):
    (place / "readings").mkdir()
    sheet = place / "readings" / "LC-1_pull_2020-01-02.toml"
    sheet.write_text(pull_sheet(noise=2.0), encoding="utf-8")
    assert command(["pull", str(sheet)]) == 0


def chamber_unmeasured(place):
    plan = place / "plans" / "HF-02.toml"
    edit(plan, '"PT-21", "PT-31"]', '"PT-21"]')
    edit(plan, 'tag = "PT-31"\nbelow', 'tag = "PT-11"\nbelow')
    without(place, "PT-31")
    without(place, "PT-32")


def chamber_absolute(place):
    edit(place / "calibrations" / "PT-31_r02.toml", 'reading_unit = "bar(g)"', 'reading_unit = "bar(a)"')


def cell_in_pounds(place):
    cell = place / "calibrations" / "LC-1_r04.toml"
    in_pounds(cell)
    edit(cell, 'reading_unit = "N"', 'reading_unit = "lbf"')


CASES = {
    "horizontal": horizontal,
    "pulled once": pulled_once,
    "nozzle up, lines push": nozzle_up_lines_push,
    "pull with stiffening": pull_with_stiffening,
    "chamber unmeasured": chamber_unmeasured,
    "chamber absolute": chamber_absolute,
    "cell in pounds": cell_in_pounds,
}
DUE = {  # what a page must hold for its case to show anything
    "horizontal": "What the zero moved",
    "pulled once": "divide by 0.985",
    "nozzle up, lines push": "1.5 N/bar × (p less its mean",
    "pull with stiffening": "p: a pull of this stand",
    "chamber unmeasured": "two neighbouring rows of what remains",
    "chamber absolute": ", less the ambient pressure of the plan",
    "cell in pounds": "Into newtons multiply by 4.448",
}


@pytest.fixture(scope="module")
def bench():
    return Bench()


def changed(bench, folder, change):
    """Return the starter campaign after a change of its files."""
    change(bench.campaign(folder).folder)
    return bench.campaign(folder)


def sealed(bench, folder, campaign, physics):
    """Return the run of a firing whose stand is as it was noted."""
    return bench.told(folder, played=campaign, physics=physics, keep=lambda run, _: run)


def checked(run):
    """Analyse, write the report, perform its recipe and hold it against what is printed; return the page."""
    impulse = analyse_run(run)[1].impulse.value
    page = Page(Reader(write_report(run, now=NOW).read_text(encoding="utf-8")).text)
    said, per_cent, side, report = re.match(
        rf"these steps give {NUMBER} N·s, {NUMBER} % (above|below) the {NUMBER} N·s of this report",
        page.step("Compare"),
    ).groups()
    found = performed(page, run)
    assert found == pytest.approx(number(said), rel=AGREES)
    assert number(report) == pytest.approx(impulse, abs=0.051)
    true = 100.0 * (found / number(report) - 1.0)
    # half a unit of the last digit printed, and the 2e-5 that the steps may be off
    assert true == pytest.approx(number(per_cent) * (1.0 if side == "above" else -1.0), abs=0.0005 + 100.0 * AGREES)
    return page


@pytest.mark.parametrize("case", CASES)
def test_the_printed_steps_give_what_the_page_says_they_give(bench, tmp_path, case):
    campaign = changed(bench, tmp_path, CASES[case])
    page = checked(sealed(bench, tmp_path, campaign, on_stand(bench.firing, campaign.stand)))
    assert DUE[case] in " ".join(page.steps)


def test_the_demonstrations_own_firing(bench, tmp_path):
    noted = bench.campaign(tmp_path)
    rehearsal = rehearse(noted, demo_draw("HF-02"))
    lock(noted, samples=100)
    page = checked(recorded(noted, rehearsal))
    assert "gauge pressure of PT-31" in page.step("Take out the weight")


def test_without_a_second_zero(bench, tmp_path):
    campaign = bench.campaign(tmp_path)
    world = world_of(campaign.plan, campaign.stand, Draw(1, QUIET, fixed=NOMINAL))
    physics = perform(world, campaign.stand, Timeline(after=0.5, vent_after=None))
    page = checked(sealed(bench, tmp_path, campaign, physics))
    assert "no second zero was recorded" in page.step("What the weight moved")


def imported(bench, tmp_path, *, change=lambda _: None, part=0.0):
    """Return the run of a firing that another logger recorded; a second cell beside the first carries ``part``."""
    own = sealed(bench, tmp_path / "own", bench.campaign(tmp_path / "own"), bench.firing)
    frame = pd.read_parquet(own / "samples" / "cradle-a_fast.parquet")
    start = frame["host_time"].iloc[0].ceil("s")
    seconds = (frame["host_time"] - start).dt.total_seconds()
    tags = {"LC-1": "N", "PT-11": "bar(g)", "PT-21": "bar(g)", "PT-31": "bar(g)"}
    table = frame[list(tags)].assign(t=seconds, fire=(frame["host_time"] >= t_zero_of(own)).astype(int))
    if part:
        tags["LC-2"] = "N +/- 0.5 %"
        table = table.assign(**{"LC-2": part * table["LC-1"], "LC-1": (1.0 - part) * table["LC-1"]})
    table[seconds >= 0.0].to_csv(tmp_path / "log.csv", index=False, float_format="%.6f")
    columns = "".join(f'"{tag}" = "{tag} {unit}"\n' for tag, unit in tags.items())
    (tmp_path / "map.toml").write_text(
        f'start = {start:%Y-%m-%dT%H:%M:%SZ}\nclock = "t"\nclock_unit = "s"\n'
        f't_zero = "fire rising 0.5"\n[columns]\n{columns}',
        encoding="utf-8",
    )
    campaign = changed(bench, tmp_path / "their", change)
    now = NOW + dt.timedelta(hours=3)
    run, _ = import_csv(
        tmp_path / "log.csv", tmp_path / "map.toml", campaign, now=now, software="standbook test", rehearsal=True
    )
    (weighings,) = (own / "additions").rglob("weighings.toml")
    add(run, [weighings])
    return run


def test_a_firing_that_another_logger_recorded(bench, tmp_path):
    page = checked(imported(bench, tmp_path))
    assert "the values as imported of LC-1" in page.lead


def t_zero_of(run):
    """Return the instant of the fire command, as the record of a run has it."""
    return pd.Timestamp(json.loads((run / "record.json").read_text("utf-8"))["t_zero"]["host_ns"], tz="UTC")
