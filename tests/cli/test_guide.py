"""The user guide: pages render, commands in it exist, its example runs, its worked numbers are those of the code."""

import math
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest
import typer

from analysis import fluids
from analysis.compare import departure
from analysis.engine import characteristic_velocity, specific_impulse, thrust_coefficient
from analysis.events import MODEL_U
from analysis.impulse import impulse_result, noise_u, seen, unseen_at_most, vacuum_terms
from analysis.limits import guard_factor, verdict
from analysis.load import Zero, drift_of, unloaded
from analysis.results import BudgetTerm, Measured, from_json
from analysis.windows import Window
from cli.main import app, run

ROOT = Path(__file__).resolve().parents[2]
PAGES = {path.stem: path.read_text(encoding="utf-8") for path in sorted((ROOT / "cli" / "guide").glob("*.md"))}
README = (ROOT / "README.md").read_text(encoding="utf-8")
WANTED = {"analysis", "cautions", "files", "first-test-day", "import", "recording", "report"}
TEXTS = {**PAGES, "README": README}
COMMANDS = typer.main.get_command(app).commands


def test_guide_lists_all_pages(capsys):
    assert WANTED - set(PAGES) == set()
    assert run(["guide"]) == 0
    assert set(re.findall(r"[\w-]+", capsys.readouterr().out.partition(":")[2])) == set(PAGES)


@pytest.mark.parametrize("topic", PAGES)
def test_a_page_renders_in_a_terminal(topic, capsys):
    assert run(["guide", topic]) == 0
    shown = capsys.readouterr().out
    title = PAGES[topic].splitlines()[0]
    assert title.startswith("# ")
    assert title.removeprefix("# ") in shown
    assert "**" not in shown
    assert "```" not in shown


def test_an_unknown_page_is_refused_with_the_pages_there_are(capsys):
    assert run(["guide", "weather"]) == 3
    assert "first-test-day" in capsys.readouterr().err


@pytest.mark.parametrize("topic", PAGES)
def test_lines_of_a_page_fit(topic):
    assert [line for line in PAGES[topic].splitlines() if len(line) > 120] == []


def test_formulas_fit_a_terminal_of_80_characters():
    formulas = re.findall(r"^    (.*)$", PAGES["analysis"], re.MULTILINE)
    assert len(formulas) > 10
    assert [line for line in formulas if len(line) > 78] == []


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


@pytest.mark.parametrize("name", ["files", "import"])
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
        start = [sys.executable, "-m", "cli"] if words[0] == "standbook" else [sys.executable]
        done = subprocess.run([*start, *words[1:]], cwd=folder, env=environment, capture_output=True, text=True)
        codes.append(done.returncode)
        outputs.append(done.stdout + done.stderr)
    return folder, head, codes, outputs


def test_the_worked_import_runs_from_the_file_to_the_report(imported):
    folder, head, codes, outputs = imported
    assert codes == [0] * len(codes), outputs
    assert (folder / "flow.csv").read_text().startswith(head)
    assert re.search(r"prints `(.*?)`", PAGES["import"])[1] in outputs[1]
    assert (folder / "teasel-2/runs/2025-06-14_WF-03/analysis/report_rev-A.html").is_file()


def test_the_worked_import_finds_what_the_page_says(imported):
    results = from_json((imported[0] / "teasel-2/runs/2025-06-14_WF-03/analysis/rev-A/results.json").read_text())
    found, page = results.tanks["oxidiser"], " ".join(PAGES["import"].split())
    assert f"CdA {1e6 * found.cda.value:.2f} mm² (u = {1e6 * found.cda.u:.2f} mm²)" in page
    assert f"chord exponent of {found.exponent.chord.value:.3f} (u = {found.exponent.chord.u:.3f})" in page
    # made with 16.2 mm2; 0.5 m of water left out by the script is 5 kPa of 680 kPa, half of it in CdA
    assert found.cda.value == pytest.approx(16.2e-6, rel=0.006)


# --- worked numbers of the analysis page: computed by the code, printed on the page -------------------------------


def on_page(*texts):
    page = " ".join(PAGES["analysis"].split())
    assert [text for text in texts if text not in page] == []


def test_worked_zero_and_weight():
    window = Window(0.0, 1.0)
    before, after = (Zero(value, 0.07, 1.0, 1.0, window) for value in (-731.2, -569.6))
    weight = 16.48 * 9.80665
    empty = unloaded(before=before, after=after, share=np.array([0.5]), line_load=np.zeros(1), line_load_after=0.0,
                     expected_step=Measured(weight, 0.5, "N"))  # fmt: skip
    assert abs(drift_of(empty, Measured(weight, 0.0, "N"))) < 0.05
    on_page(f"{empty.step:+.1f} N", f"{weight:.1f} N left", f"{empty.reading[0]:.1f} N",
            f"{1250.0 - empty.reading[0]:,.1f} N")  # fmt: skip


def test_worked_impulse_budget_vacuum_and_gap():
    time = np.round(np.arange(0.0, 6.7005, 1e-3), 3)
    thrust = np.interp(time, [0.0, 0.2, 6.2, 6.7], [0.0, 5000.0, 5000.0, 0.0])
    impulse = seen(time, thrust).between(0.0, 6.7)
    shares = [BudgetTerm(str(k), share * impulse) for k, share in enumerate((0.004, 0.003, 0.001))]
    noise = BudgetTerm("noise", noise_u(20.0, 1e-3, time.size))
    result = impulse_result(impulse, [*shares, noise], lower_bound_only=False, unseen=0.0)
    on_page(f"{impulse:,.0f} N·s", "127.0, 95.2 and 31.8 N·s", f"adds {noise.u:.1f} N·s", f"u = {result.u:.1f} N·s",
            f"U = {result.expanded:.1f} N·s")  # fmt: skip
    assert [round(term.u, 2) for term in shares] == [127.0, 95.25, 31.75]
    added, _ = vacuum_terms(throat_diameter=0.032, throat_diameter_u=0.0, expansion_ratio=3.4, expansion_ratio_u=0.0,
                            ambient=97.8e3, ambient_u=0.0, duration=19.34, duration_u=0.0)  # fmt: skip
    on_page(f"{added:,.0f} N·s more")
    kept = (time < 3.0) | (time > 3.03)
    holed = seen(time[kept], thrust[kept])
    hidden = unseen_at_most(holed, start=0.0, end=6.7)
    on_page(f"{1e3 * holed.lost(0.0, 6.7):.0f} ms without a sample, {hidden:.0f} N·s")


def test_worked_cda():
    cda = 8.248 / (math.sqrt(2.0 * 998.6) * math.sqrt(9.0e5) * 12.0)
    on_page(f"= {1e6 * cda:.2f} mm²", f"{math.sqrt(2 * 998.6):.2f} x {math.sqrt(9e5):.1f} x 12.00",
            f"gives {100 * 0.020 / 8.248:.2f} %", f"{100 * 0.06 / 9:.2f} %, {50 * 0.06 / 9:.2f} %")  # fmt: skip


def test_worked_exponent():
    gas = 24.00 - 9.34 / 0.9986
    end = gas + 8.056 / 0.9986
    ratio = math.log(end / gas)
    chord = math.log(10.083 / 5.710) / ratio
    gauge = math.log((10.083 - 0.978) / (5.710 - 0.978)) / ratio
    on_page(f"{gas:.3f} L", f"ln({end:.3f} / {gas:.3f}) = {ratio:.4f}", f"= {chord:.3f}.",
            f"law says {1.442 - 0.322 * ratio:.3f}.", f"by mistake, {gauge:.3f}")  # fmt: skip
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
    on_page(f"upper bound {within.upper_bound:,.0f} N·s, **within**", f"{100 * within.probability_within:.1f} %",
            f"up to {math.floor(40960.0 - 500.0 * guard_factor(0.95)):,} N·s",
            f"{open_.upper_bound:,.0f} N·s, **not shown**",
            f"lower bound {over.lower_bound:,.0f} N·s, **exceeds**", f"is {guard_factor(0.95):.3f} for")  # fmt: skip


def test_worked_engine_numbers_and_comparison():
    throat, integral = math.pi / 4.0 * 0.032**2, 15.97e5 * 19.34
    on_page(f"{1e6 * throat:.2f} mm²", f"{integral / 1e6:.3f} MPa·s",
            f"c* = {characteristic_velocity(integral, throat, 16.36):,.0f} m/s",
            f"Isp = {specific_impulse(32_573.0, 16.48):.1f} s",
            f"CF = {thrust_coefficient(32_573.0, throat, integral):.3f}",
            f"O/F = {9.78 / 6.70:.2f}", f"stiffness {(14.40 - 12.70) / 12.70:.3f}")  # fmt: skip
    one = [np.array([value]) for value in (9.85, 9.60, 9.40, 9.80)]
    on_page(f"= {departure(*one)[0]:.2f} half-widths")
