"""Start pressures against relief and nameplate: what never locks, and what a hold may do."""

import pytest
from scipy.constants import bar

from standbook.analysis.physics.fluids import boiling_liquid
from standbook.analysis.prediction.vessel_pressures import vessel_findings
from standbook.cli.main import run as standbook
from standbook.daq.quantity import parse_quantity
from tests.campaign_fixture import TODAY, campaign, edit


@pytest.fixture(scope="module", autouse=True)
def library():
    """Load the property library once, charged to no test."""
    return boiling_liquid("water", pressure=1e5)


@pytest.fixture
def plan(hf02_campaign):
    return hf02_campaign.plan


def with_tank(plan, number, **typed):
    """The plan with some facts of one tank typed otherwise."""
    tanks = list(plan.tank)
    kinds = {"liquid_load": "mass", "greatest_load": "mass"}
    told = {key: parse_quantity(text, kinds.get(key, "pressure")) for key, text in typed.items()}
    tanks[number] = tanks[number].model_copy(update=told)
    return plan.model_copy(update={"tank": tuple(tanks)})


def told(plan):
    return {(finding.code, finding.channel, finding.severity) for finding in vessel_findings(plan)}


def test_the_starter_s_firing_draws_at_most_the_note_about_the_sun(plan):
    found = vessel_findings(plan)
    assert {finding.severity for finding in found} <= {"note"}
    assert {finding.code for finding in found} <= {"hold-in-the-sun"}


def test_gas_that_warms_rises_with_its_temperature_and_with_what_the_liquid_takes(plan):
    """By hand: 31 bar(g) of gas above 8.19 L of fuel in 18 L, from 18 to 45 degC, beta 1.1e-3 per kelvin."""
    tank = plan.tank[1]
    liquid = tank.liquid_load.value / tank.liquid_density.value
    ullage = tank.internal_volume.value - liquid
    start = plan.start_pressure(tank)
    ambient = plan.site.ambient_pressure.value
    reached = (start.value + 2.0 * start.u) * (318.15 / 291.15) * ullage / (ullage - 1.1e-3 * liquid * 27.0) - ambient
    low = with_tank(plan, 1, relief_set_pressure=f"{reached / bar / 0.97 - 0.05:.3f} bar(g)")
    high = with_tank(plan, 1, relief_set_pressure=f"{reached / bar / 0.97 + 0.05:.3f} bar(g)")
    assert ("hold-in-the-sun", "fuel", "note") in told(low)
    assert ("hold-in-the-sun", "fuel", "note") not in told(high)


@pytest.mark.parametrize(
    ("typed", "code", "severity"),
    [
        ({"start_pressure": "41 +/- 0.1 bar(g)"}, "start-over-limit", "serious"),
        ({"start_pressure": "35.2 +/- 0.1 bar(g)"}, "start-over-limit", "serious"),
        ({"start_pressure": "33 +/- 0.1 bar(g)"}, "start-near-relief", "note"),
        ({"relief_set_pressure": "42 bar(g)"}, "relief-above-nameplate", "serious"),
    ],
)
def test_each_pressure_that_is_too_high_is_named(plan, typed, code, severity):
    assert (code, "oxidiser", severity) in told(with_tank(plan, 0, **typed))


def test_a_gauge_limit_and_the_same_absolute_one_are_one(plan):
    absolute = plan.site.ambient_pressure.value / bar + 36.0
    assert told(with_tank(plan, 0, relief_set_pressure=f"{absolute:.6f} bar(a)")) == told(plan)


def test_oxygen_that_fills_its_closed_tank_before_the_relief_is_a_caution(plan):
    """At 37 bar(a) oxygen boils at 146.7 K with 731 kg/m3 (CoolProp 8.0.0): 64 % of a tank filled at 1,139 kg/m3."""
    temperature, density = boiling_liquid("liquid oxygen", pressure=36.978 * bar)
    assert temperature == pytest.approx(146.708, abs=0.005)
    assert density == pytest.approx(731.39, abs=0.05)
    volume, cold = plan.tank[0].internal_volume.value, plan.tank[0].liquid_density.value
    for share, expected in ((0.62, False), (0.66, True)):
        load = f"{share * volume * cold:.3f} +/- 0.05 kg"
        filled = with_tank(plan, 0, liquid_load=load, greatest_load=load)
        assert (("liquid-full-before-relief", "oxidiser", "caution") in told(filled)) is expected


@pytest.mark.parametrize("start", ["45 +/- 0.1 bar(g)", "35.5 +/- 0.05 bar(g)"])
def test_a_plan_over_its_relief_is_never_locked(tmp_path, capsys, monkeypatch, start):
    folder = campaign(tmp_path)
    path = folder / "plans/WF-03.toml"
    edit(path, '"9.0 +/- 0.05 bar(g)"', f'"{start}"')
    monkeypatch.setattr("standbook.cli.lock.today", lambda: TODAY)
    assert standbook(["lock", str(path)]) == 3
    said = capsys.readouterr().err
    assert "is not locked" in said
    assert "start lower" in said
    assert not (folder / "locked").exists()


def test_a_tank_without_relief_and_nameplate_says_nothing(plan):
    bare = plan.model_copy(
        update={
            "tank": tuple(
                tank.model_copy(update={"relief_set_pressure": None, "nameplate_pressure": None}) for tank in plan.tank
            )
        }
    )
    assert vessel_findings(bare) == ()
