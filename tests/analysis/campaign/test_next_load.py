"""The next load by a model of one power law, whose answer is known by hand; which firings count for it."""

import datetime as dt
from dataclasses import replace

import pytest
from scipy.stats import t as student

from standbook.analysis.campaign import next_load as module
from standbook.analysis.campaign.fired_before import fired_before
from standbook.analysis.campaign.next_load import STEP, FiredOnce, next_load
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import DataError
from tests.repository import ROOT

LIMIT = 40_960.0
SITE, VACUUM = (34_500.0, 0.84), (39_700.0, 0.92)  # impulse at the planned load, and its elasticity


@pytest.fixture
def plan(hf02_campaign, monkeypatch):
    laws = (SITE, VACUUM)
    monkeypatch.setattr(module, "impulses_by_load", lambda _, shares: tuple(c * shares**e for c, e in laws))
    return hf02_campaign.plan


def firing(level, u=0.006, allowance=0.0):
    at = {"site": SITE[0], "vacuum": VACUUM[0]}
    return FiredOnce(
        number="HF-02",
        measured={place: level * value for place, value in at.items()},
        u=dict.fromkeys(at, u),
        predicted=at,
        allowance=allowance,
    )


def test_one_firing_as_predicted_leaves_room_for_the_assumed_scatter(plan):
    found = next_load(plan, [firing(1.0)])
    load = sum(tank.liquid_load.value for tank in plan.tank)
    # by hand: nu = 2, nu s^2 = 1.5 %^2, kappa = 1 + (1.5/6)^2; t(2) = 2.92
    scatter, kappa = 0.015 / 2.0**0.5, 1.0 + 0.25**2
    load_u = sum(tank.liquid_load.u for tank in plan.tank) / load
    margin = student.ppf(0.95, 2) * (scatter**2 * (1 + 1 / kappa) + 0.006**2 + (VACUUM[1] * load_u) ** 2) ** 0.5
    share = (LIMIT / (VACUUM[0] * (1.0 + margin))) ** (1.0 / VACUUM[1])
    assert found.binds == "vacuum"
    assert share * load - STEP <= found.load <= share * load + 1e-6
    assert found.bound["vacuum"] <= LIMIT
    assert found.alone == pytest.approx(load * (LIMIT / (VACUUM[0] * (1 + 1.645 * 0.006))) ** (1 / VACUUM[1]), rel=1e-4)


def test_what_was_never_excluded_lowers_the_load(plan):
    assert next_load(plan, [firing(1.0, allowance=800.0)]).load < next_load(plan, [firing(1.0)]).load - 0.2


def test_two_firings_far_apart_count_by_their_own_scatter(plan):
    close, apart = [firing(0.95), firing(0.955)], [firing(0.90), firing(1.0)]
    assert next_load(plan, apart).load < next_load(plan, close).load - 1.0


def test_lift_off_and_a_full_tank_bind_too(plan):
    asked = plan.impulse_class
    wide = asked.model_copy(update={"limit": replace(asked.limit, value=200_000.0)})
    roomy = plan.model_copy(update={"impulse_class": wide})
    assert next_load(roomy, [firing(1.0)]).binds == "tank"
    found = next_load(roomy, [firing(1.0)], lift_share=1.0)
    assert found.binds == "lift-off"
    assert found.load == pytest.approx(17.65, abs=1e-9)  # 17.69 kg, rounded down to 0.05


def test_without_firing_limit_or_room_nothing_is_named(plan):
    with pytest.raises(DataError, match="no firing"):
        next_load(plan, [])
    with pytest.raises(DataError, match="names no limit"):
        next_load(plan.model_copy(update={"impulse_class": None}), [firing(1.0)])
    with pytest.raises(DataError, match="not even 20 %"):
        next_load(plan, [firing(9.0)])


@pytest.fixture(scope="module")
def sample():
    today = dt.datetime.now(dt.UTC).date()
    plan = ROOT / "sample_runs/teasel-2/plans/HF-02.toml"
    found = read_campaign(plan, today=min(today, dt.date(2026, 12, 31)))
    (run,) = (ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal")
    return found, run


def test_rehearsals_are_started_from_only_where_asked_for(sample):
    campaign, _ = sample
    (found,) = fired_before(campaign, rehearsals=True)
    assert found.number == "HF-02"
    assert 0.8 < found.measured["site"] / found.predicted["site"] < 1.2
    with pytest.raises(DataError, match="no firing of this configuration"):
        fired_before(campaign)


def test_another_throat_is_another_configuration(sample):
    campaign, run = sample
    engine = campaign.plan.engine
    wider = engine.throat_diameter.__class__(value=0.033, u=5e-5, dimension="length", reference=None, text="33 mm")
    other = campaign.plan.model_copy(update={"engine": engine.model_copy(update={"throat_diameter": wider})})
    with pytest.raises(DataError, match="throat diameter differ"):
        fired_before(replace(campaign, plan=other), [run])
