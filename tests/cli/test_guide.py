"""The user guide: pages render, commands in it exist, its example runs, its worked numbers are those of the code."""

import math
import os
import re
import shlex
import subprocess
import sys
import tomllib

import numpy as np
import pytest
import typer

from standbook.analysis.budget.terms import Term, impulse_result
from standbook.analysis.physics import finite_chamber, fluids
from standbook.analysis.physics.engine import characteristic_velocity, specific_impulse, thrust_coefficient
from standbook.analysis.physics.impulse import gap_allowance, integrate, noise_u, vacuum_terms
from standbook.analysis.physics.impulse_limits import guard_factor, verdict
from standbook.analysis.physics.load_cell import Zero, drift_of, unloaded
from standbook.analysis.physics.performance import HOT, TAP_UNSTATED, TAP_UNSTATED_U, THROAT_UNSTATED
from standbook.analysis.results.json_codec import from_json
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.band_comparison import departure
from standbook.analysis.signal.valve_events import MODEL_U
from standbook.analysis.signal.windows import Window
from standbook.analysis.thrust.gas_aboard import GasState, gas_left
from standbook.cli.commands import COMMANDS as KNOWN
from standbook.cli.commands import application
from standbook.cli.main import run
from standbook.daq.config.platinum import HIGHEST_RATIO, LOWEST_RATIO, TOLERANCES, Characteristic
from standbook.daq.config.sensor_kinds import OPEN_ABOVE, OPEN_BELOW, OPEN_LOOP_MILLIAMPERE
from standbook.daq.config.signal_conversion import signal_from_counts
from standbook.daq.config.stand import Input
from standbook.daq.quantity import parse_quantity
from tests.repository import ROOT

PAGES = {path.stem: path.read_text(encoding="utf-8") for path in sorted((ROOT / "cli" / "guide").glob("*.md"))}
README = (ROOT / "README.md").read_text(encoding="utf-8")
WANTED = {
    "analysis",
    "archive",
    "bench",
    "board",
    "calibrating",
    "campaign",
    "checking",
    "cautions",
    "cold-flow",
    "diagnosis",
    "doubtful-records",
    "export",
    "files",
    "firing-analysis",
    "first-test-day",
    "pad-card",
    "import",
    "prediction",
    "quick-look",
    "recording",
    "redacted",
    "report",
    "wiring",
}
TEXTS = {**PAGES, "README": README}
COMMANDS = typer.main.get_command(application(*KNOWN)).commands


def test_guide_lists_all_pages_with_their_titles(capsys):
    assert WANTED - set(PAGES) == set()
    assert run(["guide"]) == 0
    listed = dict(line.split(maxsplit=1) for line in capsys.readouterr().out.splitlines())
    assert listed == {name: text.splitlines()[0].removeprefix("# ") for name, text in PAGES.items()}
    assert max(len(f"{name:16}  {title}") for name, title in listed.items()) <= 80


@pytest.mark.parametrize("topic", PAGES)
def test_a_page_renders_in_a_terminal(topic, capsys):
    assert run(["guide", topic]) == 0
    shown = capsys.readouterr().out
    title = PAGES[topic].splitlines()[0]
    assert title.startswith("# ")
    assert title.removeprefix("# ") in shown
    assert "**" not in shown
    assert "```" not in shown


def test_a_page_is_shown_where_the_terminal_does_not_know_its_size(capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "0")
    assert run(["guide", "recording"]) == 0
    assert "recording" in capsys.readouterr().out.lower()


def test_an_unknown_page_is_refused_with_the_pages_there_are(capsys):
    assert run(["guide", "weather"]) == 2
    assert "first-test-day" in capsys.readouterr().err


@pytest.mark.parametrize("topic", PAGES)
def test_lines_of_a_page_fit(topic):
    assert [line for line in PAGES[topic].splitlines() if len(line) > 120] == []


def test_formulas_fit_a_terminal_of_80_characters():
    formulas = re.findall(r"^    (.*)$", PAGES["analysis"], re.MULTILINE)
    assert len(formulas) > 10
    assert [line for line in formulas if len(line) > 78] == []


@pytest.mark.parametrize("name", ["board", "wiring"])
def test_drawings_and_formulas_fit_a_terminal_of_80_characters(name, capsys, monkeypatch):
    drawn = re.findall(r"```text\n(.*?)```", PAGES[name], re.DOTALL)
    drawn += re.findall(r"^    .*$", re.sub(r"```.*?```", "", PAGES[name], flags=re.DOTALL), re.MULTILINE)
    assert len(drawn) >= 3
    assert [line for drawing in drawn for line in drawing.splitlines() if len(line) > 76] == []
    monkeypatch.setenv("COLUMNS", "80")
    assert run(["guide", name]) == 0
    shown = {line.rstrip() for line in capsys.readouterr().out.splitlines()}
    whole = [line.strip() for drawing in drawn for line in drawing.splitlines() if line.strip()]
    assert [line for line in whole if not any(line in there for there in shown)] == []


def mentioned(text):
    """Every ``standbook X ...`` in code, as words."""
    fences = re.findall(r"```sh\n(.*?)```", text, re.DOTALL)
    fences += re.findall(r"`(standbook [^`]*)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
    for line in "\n".join(" ".join(f.split()) if "\n" not in f.strip() else f for f in fences).splitlines():
        for part in line.split("&&"):
            words = shlex.split(part, comments=True)
            if words and words[0].rpartition("/")[2] == "standbook":
                yield words[1:]


@pytest.mark.parametrize("name", TEXTS)
def test_every_command_that_is_mentioned_exists_with_its_options(name):
    for words in mentioned(TEXTS[name]):
        if words[0] == "COMMAND":
            continue
        assert words[0] in COMMANDS, words
        command = COMMANDS[words[0]]
        options = {option for parameter in command.params for option in parameter.opts} | {"--help", "-h"}
        assert {word for word in words[1:] if word.startswith("-")} <= options, words
        arguments = [p for p in command.params if p.param_type_name == "argument"]
        assert len(arguments) or len(words) == 1 or words[1].startswith("-"), words


def test_every_command_is_explained_somewhere():
    told = {words[0] for text in TEXTS.values() for words in mentioned(text)}
    assert set(COMMANDS) - told == set()


@pytest.mark.parametrize("name", TEXTS)
def test_every_page_that_is_pointed_to_exists(name):
    topics = [words[1] for words in mentioned(TEXTS[name]) if words[0] == "guide" and len(words) > 1]
    assert [topic for topic in topics if topic not in PAGES] == []


@pytest.mark.parametrize("name", ["board", "files", "import", "redacted", "wiring"])
def test_toml_in_the_guide_is_toml(name):
    blocks = re.findall(r"```toml\n(.*?)```", PAGES[name], re.DOTALL)
    assert blocks
    for block in blocks:
        assert tomllib.loads(block)


@pytest.fixture(scope="module")
def imported(tmp_path_factory):
    """Type the worked example of the import page into files and a terminal, as it stands there."""
    folder = tmp_path_factory.mktemp("import")
    blocks = re.findall(r"```(python|toml|sh|text)\n(.*?)```", PAGES["import"], re.DOTALL)
    assert [kind for kind, _ in blocks] == ["python", "text", "toml", "toml", "sh"]
    (script, head, mapping, weighings, commands) = (body for _, body in blocks)
    assert len(mapping.splitlines()) <= 20
    for name, body in (("make_flow.py", script), ("map.toml", mapping), ("weighings.toml", weighings)):
        (folder / name).write_text(body, encoding="utf-8")
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    codes, outputs = [], []
    for line in commands.splitlines():
        words = shlex.split(line)
        start = [sys.executable, "-m", "standbook.cli"] if words[0] == "standbook" else [sys.executable]
        done = subprocess.run([*start, *words[1:]], cwd=folder, env=environment, capture_output=True, text=True)
        codes.append(done.returncode)
        outputs.append(done.stdout + done.stderr)
    return folder, head, codes, outputs


@pytest.mark.slow
def test_the_worked_import_runs_from_the_file_to_the_report(imported):
    folder, head, codes, outputs = imported
    assert codes == [0, 0, 0, 0, 10, 0], outputs  # the starter's calibrations are younger than the flow
    assert (folder / "flow.csv").read_text().startswith(head)
    assert re.search(r"prints `(.*?)`", PAGES["import"])[1] in outputs[1]
    assert (folder / "teasel-2/runs/2025-06-14_WF-03/analysis/report_rev-A.html").is_file()


@pytest.mark.slow
def test_the_worked_import_finds_what_the_page_says(imported):
    results = from_json((imported[0] / "teasel-2/runs/2025-06-14_WF-03/analysis/rev-A/results.json").read_text())
    found, page = results.tanks["oxidiser"], " ".join(PAGES["import"].split())
    assert f"CdA {1e6 * found.cda.value:.2f} mm² (u = {1e6 * found.cda.u:.2f} mm²)" in page
    assert (
        f"mean exponent, start to end, of {found.exponent.chord.value:.3f} (u = {found.exponent.chord.u:.3f})" in page
    )
    # made with 16.2 mm2; 0.5 m of water left out by the script is 5 kPa of 680 kPa, half of it in CdA
    assert found.cda.value == pytest.approx(16.2e-6, rel=0.006)


# --- worked numbers of the analysis page: computed by the code, printed on the page -------------------------------


def on_page(*texts, name="analysis"):
    page = " ".join(PAGES[name].split())
    assert [text for text in texts if text not in page] == []


def test_worked_zero_and_weight():
    window = Window(0.0, 1.0)
    before, after = (
        Zero(value=value, u=0.07, deviation=1.0, correlation=1.0, window=window) for value in (-731.2, -569.6)
    )
    weight = 16.48 * 9.80665
    empty = unloaded(
        before=before,
        after=after,
        share=np.array([0.5]),
        line_load=np.zeros(1),
        line_load_after=0.0,
        expected_step=Measured(weight, 0.5, "N"),
    )
    assert abs(drift_of(empty, Measured(weight, 0.0, "N"))) < 0.05
    on_page(
        f"{empty.step:+.1f} N",
        f"{weight:.1f} N left",
        f"{empty.reading[0]:.1f} N",
        f"{1250.0 - empty.reading[0]:,.1f} N",
    )


def test_worked_tap_and_throat():
    for ratio in (3.0, 6.0):
        face = 100.0 * (finite_chamber.face_over_total(ratio) - 1.0)
        end = 100.0 * (finite_chamber.end_over_total(ratio) - 1.0)
        on_page(f"{ratio:.1f}: {face:+.1f} % and {end:+.1f} %")
    growth = {name: 100.0 * finite_chamber.hot_area_growth(*facts) for name, facts in HOT.items()}
    on_page(
        f"{growth['copper']:.1f} % if of copper, {growth['graphite']:.1f} % of graphite, {growth['steel']:.1f} % of"
    )
    on_page(f"else {100 * TAP_UNSTATED_U:.1f} % stands in u", f"limits of {100 * THROAT_UNSTATED:.0f} % do")
    on_page(f"unsaid: {100 * TAP_UNSTATED:.1f} %")


def test_worked_gas_that_left():
    start, end = GasState(pressure=32e5, volume=9.8e-3), GasState(pressure=15e5, volume=19e-3)
    left = gas_left("nitrogen", temperature=293.15, start=start, end=end, later=1e5)
    aboard = fluids.density("nitrogen", pressure=32e5, temperature=293.15) * 9.8e-3
    newtons = left.value * 9.80665
    on_page(f"weigh {aboard:.2f} kg", f"{left.value:.2f} kg lighter, {newtons:.1f} N", f"is {10.0 * newtons:.0f} N·s")


def test_worked_impulse_budget_vacuum_and_gap():
    time = np.round(np.arange(0.0, 6.7005, 1e-3), 3)
    thrust = np.interp(time, [0.0, 0.2, 6.2, 6.7], [0.0, 5000.0, 5000.0, 0.0])
    impulse = integrate(time, thrust).between(0.0, 6.7)
    shares = [Term(str(k), share * impulse) for k, share in enumerate((0.004, 0.003, 0.001))]
    noise = Term("noise", noise_u(20.0, 1e-3, time.size))
    result = impulse_result(impulse, [*shares, noise], lower_bound_only=False, unseen=0.0)
    on_page(
        f"{impulse:,.0f} N·s",
        "127.0, 95.2 and 31.8 N·s",
        f"adds {noise.effect:.1f} N·s",
        f"u = {result.u:.1f} N·s",
        f"U = {result.expanded:.1f} N·s",
    )
    assert [round(term.effect, 2) for term in shares] == [127.0, 95.25, 31.75]
    added, _ = vacuum_terms(
        throat_diameter=0.032,
        throat_diameter_u=0.0,
        expansion_ratio=3.4,
        expansion_ratio_u=0.0,
        ambient=97.8e3,
        ambient_u=0.0,
        duration=19.34,
        duration_u=0.0,
    )
    on_page(f"{added:,.0f} N·s more")
    kept = (time < 3.0) | (time > 3.03)
    holed = integrate(time[kept], thrust[kept])
    hidden = gap_allowance(holed, start=0.0, end=6.7)
    on_page(f"{1e3 * holed.lost(0.0, 6.7):.0f} ms without a sample, {hidden:.0f} N·s")


def test_worked_cda():
    cda = 8.248 / (math.sqrt(2.0 * 998.6) * math.sqrt(9.0e5) * 12.0)
    on_page(
        f"= {1e6 * cda:.2f} mm²",
        f"{math.sqrt(2 * 998.6):.2f} x {math.sqrt(9e5):.1f} x 12.00",
        f"gives {100 * 0.020 / 8.248:.2f} %",
        f"{100 * 0.06 / 9:.2f} %, {50 * 0.06 / 9:.2f} %",
    )


@pytest.mark.slow
def test_worked_exponent():
    gas = 24.00 - 9.34 / 0.9986
    end = gas + 8.056 / 0.9986
    ratio = math.log(end / gas)
    chord = math.log(10.083 / 5.710) / ratio
    gauge = math.log((10.083 - 0.978) / (5.710 - 0.978)) / ratio
    on_page(
        f"{gas:.3f} L",
        f"ln({end:.3f} / {gas:.3f}) = {ratio:.4f}",
        f"= {chord:.3f}.",
        f"law says {1.442 - 0.322 * ratio:.3f}.",
        f"by mistake, {gauge:.3f}",
    )
    for gas_name, pressure in (("nitrogen", 10.083e5), ("helium", 32e5)):
        exponent = fluids.isentropic_exponent(gas_name, pressure=pressure, temperature=291.15)
        on_page(f": {exponent:.3f}")


def test_worked_joint_fit_and_event():
    on_page(f"{(16.115 - 16.089) / 0.110:.1f} uncertainties, agreed")
    on_page(f"= {math.sqrt(1.5**2 + (1e3 * MODEL_U['parabolic', 'opening']) ** 2 + 1 / 12):.1f} ms")
    for shape, words in (("parabolic", "2, 3, 5 ms"), ("straight", "20, 12, 10 ms")):
        added = ", ".join(f"{1e3 * MODEL_U[shape, kind]:g}" for kind in ("opening", "closing", "knee"))
        assert f"{added} ms" == words
        on_page(words)


def test_worked_verdicts():
    def judged(value, unseen=0.0):
        return verdict(value, 500.0, limit=40960.0, limit_name="rule", unseen=unseen)

    within, open_, over = judged(40_000.0), judged(40_000.0, 200.0), judged(41_900.0)
    assert (within.outcome, open_.outcome, over.outcome) == ("within", "not shown", "exceeds")
    on_page(
        f"upper bound {within.upper_bound:,.0f} N·s, **within**",
        f"{100 * within.probability_within:.1f} %",
        f"up to {math.floor(40960.0 - 500.0 * guard_factor(0.95)):,} N·s",
        f"{open_.upper_bound:,.0f} N·s, **not shown**",
        f"lower bound {over.lower_bound:,.0f} N·s, **exceeds**",
        f"is {guard_factor(0.95):.3f} for",
    )


def test_worked_engine_numbers_and_comparison():
    throat, integral = math.pi / 4.0 * 0.032**2, 15.97e5 * 19.34
    on_page(
        f"{1e6 * throat:.2f} mm²",
        f"{integral / 1e6:.3f} MPa·s",
        f"c* = {characteristic_velocity(integral, throat, 16.36):,.0f} m/s",
        f"Isp = {specific_impulse(32_573.0, 16.48):.1f} s",
        f"CF = {thrust_coefficient(32_573.0, throat, integral):.3f}",
        f"O/F = {9.78 / 6.70:.2f}",
        f"injector pressure-drop ratio {(14.40 - 12.70) / 12.70:.3f}",
    )
    one = [np.array([value]) for value in (9.85, 9.60, 9.40, 9.80)]
    on_page(f"= {departure(*one)[0]:.2f} band half-widths")


# --- worked numbers of the wiring page ------------------------------------------------------------------------------

OHM_PER_METRE = 2.567 / (100 * 0.3048)  # AWG 24: 2.567 ohm per 100 ft, as a maker of cable testers prints it
FIVE_VOLT_COUNT = 5.0 / 1024  # of a converter of ten bits
RESISTOR, CAPACITOR = 4.7e3, 100e-9


def on_wiring(*texts):
    on_page(*texts, name="wiring")


def corner(resistance, capacitance):
    return 1.0 / (2.0 * math.pi * resistance * capacitance)


def passed(frequency, limit):
    return 1.0 / math.hypot(1.0, frequency / limit)


def shown_at(frequency, rate):
    return abs(frequency - round(frequency / rate) * rate)


def test_wiring_anti_alias_filter():
    small, large = corner(RESISTOR, CAPACITOR), corner(RESISTOR, 1e-6)
    first, second = passed(940.0, small), passed(940.0, large)
    assert shown_at(940.0, 1000.0) == 60.0
    assert shown_at(60.0, 80.0) == 20.0
    on_wiring(
        f"corner at {small:.0f} Hz and a latency of {1e3 * RESISTOR * CAPACITOR:.2f} ms",
        f"{first:.3f} of it ({20 * math.log10(first):.1f} dB) pass",
        f"At 41 Hz {passed(41.0, small):.3f} of",
        f"the corner is {large:.1f} Hz, {second:.3f} ({20 * math.log10(second):.1f} dB) of the 940 Hz",
        f"the latency is {1e3 * RESISTOR * 1e-6:.1f} ms",
        f"{large:.1f} Hz let {passed(60.0, large):.3f} of it",
    )
    # what a filter delays it does not lose: a pulse through one RC keeps its area (trapezoid, to its own error)
    time = np.arange(0.0, 0.1, 1e-6)
    risen = 1.0 - np.exp(-time / (RESISTOR * CAPACITOR))
    pulse = risen - np.concatenate([np.zeros(10_000), risen[:-10_000]])
    assert np.trapezoid(pulse, time) == pytest.approx(0.01, rel=1e-6)
    stolen = 14e-12 / CAPACITOR * 5.0
    on_wiring(f"steals at most {1e3 * stolen:.1f} mV", f"{stolen / FIVE_VOLT_COUNT:.2f} counts")


def test_wiring_open_wire_is_pulled_down_in_time():
    # from the top of the range to where the code calls a wire open
    falls = (1e6 + RESISTOR) * CAPACITOR * math.log(0.9 / OPEN_BELOW)
    assert falls < 0.5
    on_wiring(
        "within half a second",
        f"Below {100 * OPEN_BELOW:.0f} % or above {100 * OPEN_ABOVE:.0f} % of",
        f"Below {OPEN_LOOP_MILLIAMPERE} mA",
    )


def test_wiring_loop():
    on_wiring(
        f"150 ohm give {0.004 * 150:.3f} V at 4 mA and {0.020 * 150:.3f} V at 20 mA",
        f"take {0.020**2 * 150:.2f} W",
        f"{0.016 * 220:.2f} V instead of {0.016 * 150:.2f} V",
        f"22 mA ({0.022 * 220:.2f} V)",
        f"carry {1e3 * (24 - 5.5) / RESISTOR:.1f} mA",
        f"a leak of 1 uA in them is {1e3 * 1e-6 * RESISTOR:.1f} mV, one count",
    )
    assert abs(1e-6 * RESISTOR / FIVE_VOLT_COUNT - 1.0) < 0.05
    burden, cable = 0.022 * 150, 0.022 * 2 * 30 * OHM_PER_METRE
    room = ((24.0 - 10.0) / 0.022 - 150) / (2 * OHM_PER_METRE)
    on_wiring(
        f"10 + {burden:.2f} + {cable:.2f} = {10 + burden + cable:.2f} V",
        f"room for {1e-3 * room:.1f} km",
        f"leaves the transmitter {11.5 - burden - cable:.2f} V",
    )


def test_wiring_bridge():
    stand = tomllib.loads((ROOT / "cli" / "starter_files" / "stand.toml").read_text(encoding="utf-8"))
    cell = next(item for item in stand["input"] if item["tag"] == "LC-1")
    count = parse_quantity(cell["volt_per_count"], "voltage").value
    lead = 2 * 20 * OHM_PER_METRE
    low = lead / (350 + lead)
    on_wiring(
        f"{1e9 * count:.3f} nV, {5000 * count / 0.010:.4f} N a count",
        f"350 / {350 + lead:.1f} of the",
        f"{100 * low:.2f} % less",
        f"cable are {100 * low * 0.0039 * 20:.3f} % of thrust",
        f"{0.010 * 200:.1f} V at 5 kN",
    )
    assert 80 / 2 < 41  # the stand's mode, against half of the row rate


def test_wiring_resistance_thermometer():
    blocks = [tomllib.loads(block) for block in re.findall(r"```toml\n(.*?)```", PAGES["wiring"], re.DOTALL)]
    item = next(Input.model_validate(b["input"][0]) for b in blocks if "reference_resistor" in b.get("input", [{}])[0])
    curve = Characteristic.model_validate(next(b["characteristic"] for b in blocks if "characteristic" in b))
    signal = signal_from_counts(item, np.array([2115, 2116]), 0.5)
    reading = curve.reading(signal)
    half = float(curve.half_width(reading[:1])[0])
    warm = np.diff(curve.signal(np.array([-0.5, 0.5])))[0]  # ohm a kelvin at 0 degC
    lead = 2 * 10 * OHM_PER_METRE
    current = 0.5 / 400
    on_wiring(
        f"counts are {signal[0]:.2f} ohm, {reading[0]:.1f} degC",
        f"One count is {reading[1] - reading[0]:.3f} K",
        f"here {half:.2f} K either way: u = {half / math.sqrt(3):.2f} K",
        f"0.04 ohm add {0.04 / 400 * 100 / warm:.2f} K at 0 degC",
        f"{100 * HIGHEST_RATIO:.1f} or {100 * LOWEST_RATIO:.1f} ohm of a Pt100",
        f"the leads add {lead:.2f} ohm, {lead / warm:.1f} K",
        f"are {1e3 * current:.2f} mA, {1e3 * current**2 * 100:.2f} mW in 100 ohm",
        "AA, A, B and C hold from " + ", ".join(f"{TOLERANCES[c].lowest:g}" for c in ("AA", "A", "B")) + " and -196",
    )


def test_wiring_supply_and_ground():
    share = 0.1 + 0.8 * 24.0 / 60.0
    wrong = (share * 4.8 / 5.0 - 0.1) / 0.8 * 60.0
    on_wiring(f"gives {share:.2f} of its supply", f"reads {wrong:.2f} bar: {24.0 - wrong:.2f} bar too low")
    # with the divider of the page, in counts of one converter, its reference divides out
    wired = {"device": "cradle-a", "volt_per_count": "4.8828125 mV"}
    item = Input.model_validate(
        {
            **wired,
            "wire": "adc1",
            "tag": "PT-31",
            "measures": "chamber pressure",
            "kind": "ratiometric",
            "supply": "VS-1",
        }
    )
    supply = Input.model_validate(
        {
            **wired,
            "wire": "adc0",
            "tag": "VS-1",
            "measures": "supply voltage",
            "kind": "voltage",
            "amplifier_gain": "0.5",
        }
    )
    for reference in (4.6, 5.0):
        counts = np.array([share * 4.8 / reference * 1024]), np.array([0.5 * 4.8 / reference * 1024])
        volts = signal_from_counts(supply, counts[1], 1.0)
        assert signal_from_counts(item, counts[0], volts) == pytest.approx(share, rel=1e-12)
    drop = 0.010 * 30 * OHM_PER_METRE
    on_wiring(
        f"own 0 V by {1e3 * drop:.1f} mV",
        f"{drop / 4 * 60:.2f} bar too high",
        f"arrives is {2e3 * drop:.1f} mV, {100 * 2 * drop / 5:.1f} %,",
        f"lamp. 5 V over 4.7 kohm are {5 / 4.7:.1f} mA",
        f"2.2 kohm is {(12 - 1.2) / 2.2:.1f} mA",
    )
    farads = 30 * 100e-12
    on_wiring(
        f"30 m are {1e9 * farads:.0f} nF",
        f"corner of {1e-3 * corner(100, farads):.0f} kHz",
        f"350 ohm bridge {1e-3 * corner(350, farads):.0f} kHz",
        f"have {1e-3 * corner(1e4, farads):.1f} kHz",
        f"({1e3 * OHM_PER_METRE:.1f} ohm/km)",
    )


def test_wiring_table_of_counts():
    cells = {
        row.split("|")[1].strip(): [cell.strip() for cell in row.split("|")[2:-1]]
        for row in PAGES["wiring"].splitlines()
        if re.match(r"\| (\d+-\d+ bar|5 kN)", row)
    }
    assert len(cells) == 5
    for name, (span, ten, sixteen) in cells.items():
        if name.startswith("5 kN"):
            volts, full, form, fine = 0.002 * 5 * 200, 5000.0, "{:.1f} N", None
        else:
            full = float(re.match(r"\d+-(\d+) bar", name)[1])
            volts, fine = (0.016 * 150, 0.125e-3) if "loop" in name else (0.8 * 5.0, 0.1875e-3)
            form = "{:.4f} bar"
        assert span == f"{volts:.2f} V"
        assert ten == form.format(full / volts * FIVE_VOLT_COUNT)
        assert sixteen == (form.format(full / volts * fine) if fine else "0.0012 N, 24 bits")  # as in the bridge's part


def test_wiring_what_ten_bits_are_worth():
    bar, newton = 60 / 4 * FIVE_VOLT_COUNT, 5000 / 2 * FIVE_VOLT_COUNT
    u = bar / math.sqrt(12)
    rest = 330 / 2  # the demo's U of its impulse, as the report page prints it
    assert "32,570 ± 330 N·s, k = 2" in PAGES["report"]
    on_wiring(
        f"{bar:.4f} / 3.46 = {u:.3f} bar",
        f"make {math.hypot(0.06, u):.3f} bar",
        f"one count is {100 * bar / 9:.1f} %",
        f"half a count, {newton / 2:.1f} N: over 19.34 s up to {newton / 2 * 19.34:.0f} N·s, "
        f"u = {newton / 2 * 19.34 / math.sqrt(3):.0f} N·s, beside the {rest:.0f} N·s",
        f"two counts of the chip are {2 * newton:.0f} N, {100 * 2 * newton / (32_573 / 19.34):.1f} % of a mean "
        f"thrust of {32_573 / 19.34:,.0f} N",
    )


@pytest.mark.parametrize(
    ("typed", "meant"), [("record", "recording"), ("recover", "recovering"), ("rehearse", "rehearsal")]
)
def test_a_command_s_name_finds_the_page_that_is_about_it(capsys, typed, meant):
    assert run(["guide", typed]) == 2
    assert f'no topic "{typed}"; perhaps "{meant}"; topics are' in capsys.readouterr().err


def test_a_text_is_found_in_whatever_case_with_its_pages(capsys):
    assert run(["guide", "--search", "BAROMETER"]) == 0
    out = capsys.readouterr().out
    wanted = {name for name, text in PAGES.items() if "barometer" in text.lower()}
    assert len(wanted) > 1
    assert {line.partition(":")[0] for line in out.splitlines() if re.match(r"[a-z-]+: ", line)} == wanted
    assert out.lower().count("barometer") >= sum(text.lower().count("barometer") > 0 for text in PAGES.values())
    assert "**" not in out
    assert run(["guide", "--search", "zebra crossing"]) == 2
    assert 'no page holds "zebra crossing"' in capsys.readouterr().err


def test_only_one_thing_is_asked_of_the_guide(capsys, tmp_path):
    assert run(["guide", "recording", "--search", "x"]) == 2
    assert run(["guide", "--html", str(tmp_path / "out"), "--search", "x"]) == 2
    assert "ask for one of them" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    folder = tmp_path_factory.mktemp("site") / "pages"
    assert run(["guide", "--html", str(folder)]) == 0
    return folder


def test_the_guide_as_html_has_every_page_and_no_link_leads_nowhere(site):
    files = {path.name: path.read_text(encoding="utf-8") for path in site.iterdir()}
    assert set(files) == {"index.html", *(f"{name}.html" for name in PAGES)}
    links = {(name, link) for name, text in files.items() for link in re.findall(r'href="([^"]*)"', text)}
    assert [pair for pair in links if pair[1] not in files] == []
    assert len(links) > 3 * len(PAGES)
    for name, text in files.items():
        assert not re.search(r"<script|https?://|src=", text), name
        assert "relief valves" in text.rpartition('class="caution"')[2], name


@pytest.mark.parametrize("topic", PAGES)
def test_a_page_as_html_says_what_the_page_says(topic, site):
    text = (site / f"{topic}.html").read_text(encoding="utf-8")
    words = re.sub(r"<style.*?</style>|<[^>]+>", " ", text, flags=re.DOTALL)
    page = re.sub(r"```.*?```", "", PAGES[topic], flags=re.DOTALL)
    for heading in re.findall(r"^#+ (.*)$", page, re.MULTILINE):
        plain = heading.replace("`", "").replace("&", "&amp;")
        assert " ".join(plain.split()) in " ".join(words.split()), heading
    assert text.count("<table>") == len(re.findall(r"^ *\|[-| :]+\|$", page, re.MULTILINE))


def test_a_page_on_a_terminal_goes_through_the_pager(monkeypatch, capsys):
    shown = []
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setattr("pydoc.pager", shown.append)
    assert run(["guide", "recording"]) == 0
    assert PAGES["recording"].splitlines()[0].removeprefix("# ") in shown[0]
    assert run(["guide", "recording", "--no-pager"]) == 0
    assert len(shown) == 1
