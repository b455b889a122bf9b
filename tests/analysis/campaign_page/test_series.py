"""Series of a campaign: one configuration each, common errors in no average, a planted step found and no other."""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from standbook.analysis.campaign.run_table import RunRow
from standbook.analysis.campaign.stand_state import CampaignState, StandState, ZeroRead
from standbook.analysis.campaign_page.figure import panel_figure
from standbook.analysis.campaign_page.page import campaign_page
from standbook.analysis.campaign_page.series import panels_of, series_of, single_runs
from standbook.analysis.results.quantities import Measured

EMPTY = CampaignState(runs=(), spans=())
AT = dt.datetime(2031, 7, 1, 12, tzinfo=dt.UTC)


def row(number, cda, *, u=0.1, common=0.0, hardware=1, kind="water flow", rehearsal=False):
    return RunRow(
        folder=f"2031-06-{number:02d}_WF-{number:02d}",
        date=f"2031-06-{number:02d}",
        number=f"{'HF' if kind == 'static fire' else 'WF'}-{number:02d}",
        kind=kind,
        rehearsal=rehearsal,
        article="Teasel-2",
        hardware=hardware,
        instruments=1,
        state="rev-A",
        cda={"fuel": Measured(1e-6 * cda, 1e-6 * u, "m2")},
        cda_common={"fuel": 1e-6 * common},
    )


def test_kinds_and_configurations_are_series_of_their_own_and_rehearsals_none():
    rows = [row(1, 16.0), row(2, 16.1, hardware=2), row(3, 16.2, kind="static fire"), row(4, 16.3, rehearsal=True)]
    found = series_of(rows)
    assert [(len(s.points), s.kind, s.hardware) for s in found] == [
        (1, "water flow", 1),
        (1, "water flow", 2),
        (1, "static fire", 1),
    ]
    assert found[0].sentence == "One run: no scatter is known."
    assert single_runs(found) == (
        "HF-03, the only static fire of hw1, so that no scatter is known: CdA fuel 16.20 mm² (u = 0.10 mm²).",
    )


def test_configurations_of_one_quantity_stand_in_one_panel_with_a_line_where_the_next_begins():
    rows = [row(1, 16.0), row(2, 16.1), row(3, 16.9, hardware=2), row(4, 16.8, hardware=2), row(5, 16.05)]
    rows[2] = dataclasses.replace(rows[2], hardware_change="throat diameter")
    (panel,) = panels_of(series_of(rows))
    assert panel.title == "CdA fuel, water flow, hw1, hw2"
    assert [point.run for point in panel.points] == ["WF-01", "WF-02", "WF-03", "WF-04", "WF-05"]
    assert panel.breaks == ((2, "hw2"), (4, "hw1"))
    assert panel.sentence.startswith("hw1: 3 runs, ")
    assert "hw2 (throat diameter changed): 2 runs, " in panel.sentence
    drawn = panel_figure(panel, 1)
    assert drawn.count(">hw2<") == drawn.count(">hw1<") == 1


def test_nothing_is_pooled_across_a_configuration():
    one, both = [row(k, 16.0 + 0.01 * k) for k in (1, 2, 3)], [row(k, 18.0, hardware=2) for k in (4, 5)]
    (alone,) = panels_of(series_of(one))
    (beside,) = panels_of(series_of([*one, *both]))
    assert beside.sentence.startswith(f"hw1: {alone.sentence} hw2: 2 runs, ")


def test_what_is_common_is_in_no_average_made_smaller():
    alone = series_of([row(k, 16.0 + 0.01 * (-1) ** k, u=0.1) for k in range(1, 10)])[0].sentence
    shared = series_of([row(k, 16.0 + 0.01 * (-1) ** k, u=(0.1**2 + 0.3**2) ** 0.5, common=0.3) for k in range(1, 10)])
    # by hand: nine runs of 0.1 give 0.033, t(8) = 2.31: 0.077; beside 0.3 in common 0.302, k = 1.96: 0.59
    assert "± 0.077 mm²" in alone
    assert "± 0.59 mm²" in shared[0].sentence


def test_what_may_be_common_is_in_no_average_made_smaller_either():
    rows = [
        dataclasses.replace(row(k, 16.0), cda={}, cda_common={}, isp=Measured(200.0 + 0.1 * (-1) ** k, 2.0, "s"))
        for k in range(1, 10)
    ]
    (found,) = series_of(rows)
    # by hand: 0.3 % of 200 over nine runs is 0.2, t(8) = 2.31: 0.46; beside 2.0 that all may share, k = 1.96: 3.9
    assert "± 3.9" in found.sentence
    assert not found.parts_known
    assert "no more than 0.3 %" in found.sentence


def test_two_runs_show_their_distance_and_no_scatter():
    (found,) = series_of([row(1, 16.0), row(2, 16.16)])
    assert "1.0 % apart; two runs show no scatter" in found.sentence


def test_a_step_of_one_per_cent_is_found_where_it_is_and_a_steady_series_has_none():
    noise = np.random.default_rng(5).normal(0.0, 0.03, 8)
    steady = [row(k + 1, 16.0 + noise[k], u=0.03) for k in range(8)]
    assert "No drift and no step" in series_of(steady)[0].sentence
    stepped = [row(k + 1, 16.0 + noise[k] + (0.32 if k >= 5 else 0.0), u=0.03) for k in range(8)]
    assert "before WF-06" in series_of(stepped)[0].sentence


def test_the_page_holds_table_panels_and_no_script():
    rows = [row(k, 16.0 + 0.02 * k) for k in range(1, 4)] + [row(9, 16.0, rehearsal=True)]
    page = campaign_page("teasel-2", rows, (("run", "CdA"), *((r.number, "16") for r in rows[:3])), EMPTY, at=AT)
    assert page.count("<svg") == 1
    assert "The stand and its sensors" not in page
    assert page.count("<td>WF-0") == 3
    assert "1 rehearsals or recordings" in page
    assert "<script" not in page


@pytest.mark.slow
def test_fifty_runs_stay_below_a_megabyte():
    rows = [row(1 + k % 28, 16.0 + 0.01 * k) for k in range(50)]
    zeros = {f"PT-{tag}": ZeroRead(revision="r02", departure=0.3) for tag in range(10)}
    clocks = {device: Measured(12.0, 4.0, "ppm") for device in ("cradle-a", "cradle-b")}
    runs = tuple(StandState(run=one.number, date=one.date, zeros=zeros, clocks=clocks) for one in rows)
    state = CampaignState(runs=runs, spans=())
    page = campaign_page("teasel-2", rows, (("run", "CdA"), *((r.number, "16") for r in rows)), state, at=AT)
    assert page.count("<svg") == 13
    assert len(page) < 1_000_000
