"""The worked numbers of the guide's page on a firing's analysis are those of the code."""

import math
import re
import tomllib

import numpy as np
import pytest
from scipy.stats import chi2

from standbook.analysis.dataset.channel import PairU
from standbook.analysis.firing.class_reserve import largest_term
from standbook.analysis.firing.firing_transients import CHAMBER_MEAN, DEFINITION_U, STIFFNESS_OVER
from standbook.analysis.firing.stability import MODE_WITHIN, SMOOTH_BLOCK, SMOOTH_LIMIT, SMOOTH_OVER
from standbook.analysis.firing.stability_findings import CHUG_SHARE
from standbook.analysis.physics.performance import least_stiffness
from standbook.analysis.results.firing_results import LineName
from standbook.analysis.results.results import BudgetTerm
from standbook.analysis.signal import spectra
from standbook.analysis.signal.transients import rise_of
from standbook.daq.config.stand_interaction import StandInteraction
from tests.repository import ROOT

GUIDE = ROOT / "cli" / "guide"
PAGE = " ".join((GUIDE / "firing-analysis.md").read_text(encoding="utf-8").split())


def on_page(*texts):
    assert [text for text in texts if text not in PAGE] == []


def test_lines_stand_out_as_the_page_says():
    rate, time = 1000.0, np.arange(5000) / 1000.0
    found = spectra.spectrum(np.random.default_rng(1).standard_normal(time.size), rate)
    threshold = chi2.isf(spectra.CHANCE / 500, 2.0 * found.averages) / (2.0 * found.averages)
    on_page(
        f"worth {found.averages:.1f} independent ones",
        f"must be {threshold:.1f} times its level",
        f"median over {spectra.BACKGROUND} bins",
        f"at most {spectra.LONGEST_PART:g} s",
    )
    # just below that a line is none, well above it is one: the same numbers in the code's own peaks
    assert spectra.peaks(found) == ()
    swing = 20.0 + 0.5 * np.sin(2 * np.pi * 83.0 * time) + 0.01 * np.random.default_rng(2).standard_normal(time.size)
    (line,) = spectra.peaks(spectra.spectrum(swing, rate))
    on_page(f"an amplitude of {100 * line.amplitude / 20.0:.1f} %")


def test_names_of_lines():
    mode = 41.0 * math.sqrt(75.0 / (75.0 - 16.5))
    image = spectra.folded(np.array([60.0, 83.0, 41.0, mode]), 80.0)
    on_page(
        f"becomes {mode:.1f} Hz when 16.5 kg have left",
        f"60 Hz shows at {image[0]:.0f} Hz",
        f"83 Hz at {image[1]:.0f} Hz",
        f"at {image[2]:.0f} down to {image[3]:.1f} Hz",
        f"within {100 * MODE_WITHIN:.0f} %",
        f"from {100 * CHUG_SHARE:.1f} % of chamber pressure",
    )
    averages = spectra.spectrum(np.random.default_rng(1).standard_normal(5000), 1000.0).averages
    on_page(f"squared coherence of {spectra.chance_coherence(averages):.2f} once in a hundred")
    assert set(LineName.__args__) == {"mains", "stand mode", "coherent", "alias", "undecided"}


def test_smooth_combustion():
    time = np.arange(20_000) / 1000.0
    pressure = 20e5 * (1.0 + np.where(time < 2.0, 0.08, 0.0) * np.sin(2 * np.pi * 83.0 * time))
    share = spectra.smooth_share(time, pressure, limit=SMOOTH_LIMIT, block=SMOOTH_BLOCK, over=SMOOTH_OVER)
    worst, _ = spectra.worst_stretch(time, pressure / 20e5 - 1.0, 1.0)
    on_page(
        f"is {100 * worst:.1f} % rms",
        f"smooth for {100 * share:.0f} %",
        f"within {100 * SMOOTH_LIMIT:.0f} % of",
        f"blocks of {SMOOTH_BLOCK:g} s",
        f"mean over {SMOOTH_OVER:g} s",
    )


def test_start_and_burn_times():
    time = np.arange(-1.0, 3.0, 1e-3)
    rise = rise_of(time, 20.0 * np.clip(time / 0.1, 0.0, 1.0), start=0.01, span=CHAMBER_MEAN).rise
    on_page(f"takes {1e3 * rise.value:.0f} ms from 10 to 90 %", f"maximum mean over {1e3 * CHAMBER_MEAN:g} ms")
    said = dict(re.findall(r"(\d+) ms for (?:the )?(10 % to 10 %|5 % to 5 %|aft-tangent bisector)", PAGE))
    assert {f"{1e3 * u:g}" for u in DEFINITION_U.values()} == set(said)


def test_stiffness_and_its_uncertainty():
    time = np.linspace(0.0, 2.0, 200)
    least, _ = least_stiffness(
        time,
        np.full(200, 14.40e5),
        np.full(200, 12.70e5),
        start=0.0,
        end=2.0,
        span=STIFFNESS_OVER,
        u_of=PairU(6e3, 6e3).of,
    )
    on_page(f"{least.value:.3f}, u = {least.u:.3f}", f"over {STIFFNESS_OVER:g} s")


def test_closure():
    closure, u = 16.59 / 16.54 - 1.0, math.hypot(0.24, 0.12) / 16.54
    on_page(f"close to {100 * closure:+.1f} %, u = {100 * u:.1f} %")


def test_the_pull_of_the_files_page():
    (block,) = (
        text
        for text in re.findall(r"```toml\n(.*?)```", (GUIDE / "files.md").read_text(encoding="utf-8"), re.DOTALL)
        if "[stand_interaction]" in text
    )
    found = StandInteraction.model_validate(tomllib.loads(block)["stand_interaction"])
    on_page(f"f = {found.factor.value:.4f} (u = {found.factor.u:.4f})", f"k = {found.line_load.value * 1e5:.2f} N/bar")


def test_what_removing_a_source_gains():
    source, gain = largest_term((BudgetTerm("a", 400.0), BudgetTerm("b", 300.0)), 2.0)
    assert source == "a"
    on_page(f"would shrink by {gain:.0f} N·s", f"not by {2 * 400}")


@pytest.mark.parametrize("line", re.findall(r"^    (.*)$", (GUIDE / "firing-analysis.md").read_text(), re.MULTILINE))
def test_formulas_fit_a_terminal(line):
    assert len(line) <= 78
