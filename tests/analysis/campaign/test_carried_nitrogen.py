"""A flow of liquid nitrogen carried to a firing: CdA where no vapour was, the exponent to its like, nothing to fuel."""

from dataclasses import replace

import pytest

from standbook.analysis.campaign import carried_runs
from standbook.analysis.campaign.carried_runs import (
    FEW_SAMPLES,
    Analysed,
    basis_findings,
    carry,
    check_exponents,
    other_flows,
)
from standbook.analysis.campaign.flow_states import as_found, flowed, found_liquid
from standbook.analysis.kinds.registry import analyse, predict
from standbook.analysis.physics import fluids
from standbook.analysis.results.json_codec import from_json, to_json
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError
from tests.analysis.nitrogen_fixture import nitrogen_campaign, nitrogen_dataset
from tests.campaign_fixture import TODAY, campaign

KIND = "nitrogen flow"


@pytest.fixture(scope="module")
def dataset(tmp_path_factory):
    return nitrogen_dataset(nitrogen_campaign(tmp_path_factory.mktemp("nitrogen")))[0]


def analysed(dataset, folder):
    results = from_json(to_json(analyse(dataset).results))  # as it is kept
    return Analysed(folder / "runs" / "one", as_found(dataset.plan, results), results)


@pytest.fixture(scope="module")
def run(dataset, tmp_path_factory):
    folder = tmp_path_factory.mktemp("runs")
    (folder / "runs" / "one").mkdir(parents=True)
    return analysed(dataset, folder)


@pytest.fixture(scope="module")
def untold(dataset, tmp_path_factory):
    folder = tmp_path_factory.mktemp("untold")
    (folder / "runs" / "one").mkdir(parents=True)
    channels = {tag: channel for tag, channel in dataset.channels.items() if tag != "TC-11"}
    return analysed(replace(dataset, channels=channels), folder)


@pytest.fixture(scope="module")
def nominal(tmp_path_factory):
    """What the firing's plan predicts; the changes of a tank below move its pressures by little."""
    to = read_campaign(campaign(tmp_path_factory.mktemp("firing")) / "plans" / "HF-02.toml", today=TODAY)
    return predict(to.plan, to.stand, samples=FEW_SAMPLES)


@pytest.fixture
def firing(tmp_path, monkeypatch, nominal):
    monkeypatch.setattr(carried_runs, "predict", lambda *_, **__: nominal)
    return campaign(tmp_path) / "plans" / "HF-02.toml"


def to_firing(run, firing, **changes):
    """What the oxidiser tank of the firing gets, with fields of its plan changed."""
    to = read_campaign(firing, today=TODAY)
    tanks = tuple(t.model_copy(update=changes) if t.name == "oxidiser" else t for t in to.plan.tank)
    (found,) = carry(run, replace(to, plan=to.plan.model_copy(update={"tank": tanks})))
    return found


ALIKE = {"wall_material": "aluminium", "pressurant": "helium"}


def test_a_run_is_carried_with_the_liquid_that_its_analysis_found(run):
    found = found_liquid(run.results, "oxidiser")
    (tank,) = run.plan.tank
    assert found.measured
    assert tank.liquid_density.value == found.density
    assert tank.liquid_load.value == found.load
    side = flowed(run.plan, run.results, "oxidiser")
    assert side.vapour_pressure == pytest.approx(
        fluids.vapour_pressure("nitrogen", temperature=found.warmest), rel=1e-6
    )
    assert side.density == found.density


def test_cda_is_carried_where_the_cavitation_number_allows(run, firing):
    found = to_firing(run, firing)
    # from 9.98 against 5.28 bar(a) at about 80 K the number is 1.8, and the plan's holes are rounded
    assert found.cda.carried.value == run.results.tanks["oxidiser"].cda.value
    assert found.cda.carried.u >= found.cda.measured.u
    assert any(line == f'cda_basis = "{KIND} WF-03"' for line in found.lines)


def test_cda_into_open_air_is_not_carried_whatever_the_inlet(run, firing):
    (tank,) = run.plan.tank
    flow = run.plan.flow.model_copy(update={"back_pressure": None})
    for inlet in ("sharp", "rounded 0.2 d"):
        plan = run.plan.model_copy(update={"flow": flow, "tank": (tank.model_copy(update={"injector_inlet": inlet}),)})
        found = to_firing(replace(run, plan=plan), firing)
        assert found.cda.carried is None
        assert "the cavitation number fell to 0.9" in found.cda.remarks[0]
        assert not any(line.startswith("feed_cda") for line in found.lines)


def test_cda_without_a_thermometer_is_not_carried(untold, firing):
    found = to_firing(untold, firing)
    assert found.cda.carried is None
    assert "no thermometer at the outlet" in found.cda.remarks[0]
    assert not any(line.startswith("feed_cda") for line in found.lines)


def test_the_exponent_is_carried_to_the_same_gas_wall_and_fill_with_u_of_at_least_0_06(run, firing):
    fill = run.plan.tank[0].liquid_load.value / run.plan.tank[0].liquid_density.value
    load = replace(run.plan.tank[0].liquid_load, value=1139.0 * fill)
    found = to_firing(run, firing, **ALIKE, liquid_load=load)
    exponent = run.results.tanks["oxidiser"].exponent
    assert found.exponent.carried.u >= 0.06
    assert exponent.start.value > found.exponent.carried.value > exponent.chord.value - 0.2
    assert f'exponent_basis = "{KIND}"' in found.lines
    assert any(said.startswith("Hold as long: it stood") for said in found.remarks)
    assert any("same gas, wall, fill and hold time" in said for said in found.remarks)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({**ALIKE, "pressurant": "nitrogen"}, "of helium does not carry over to nitrogen"),
        ({**ALIKE, "wall_material": "steel"}, "the wall is of steel, not of aluminium"),
        ({**ALIKE, "wall_material": None}, "not both plans state wall_material"),
        ({**ALIKE, "liquid": "water"}, "whose gas is chilled, does not carry over to water"),
    ],
)
def test_the_exponent_is_not_carried_to_another_gas_wall_or_liquid(run, firing, changes, why):
    found = to_firing(run, firing, **changes)
    assert found.exponent.carried is None
    assert why in found.exponent.refusal
    assert KIND not in found.exponent.refusal.partition(". Take")[2]  # no advice to do what was done
    assert not any(line.startswith("ullage_exponent") for line in found.lines)


def test_the_exponent_is_not_carried_to_another_fill(run, firing):
    fill = run.plan.tank[0].liquid_load.value / run.plan.tank[0].liquid_density.value
    load = replace(run.plan.tank[0].liquid_load, value=1139.0 * (fill - 0.08 * 24e-3))
    found = to_firing(run, firing, **ALIKE, liquid_load=load)
    assert found.exponent.carried is None
    assert "the tank is filled to" in found.exponent.refusal


def test_nothing_is_ever_carried_to_the_fuel_side(run, firing):
    """Not with a reason either."""
    fuel = run.plan.tank[0].model_copy(update={"name": "fuel"})
    plan = run.plan.model_copy(update={"tank": (fuel,)})
    results = replace(run.results, tanks={"fuel": run.results.tanks["oxidiser"]})
    (found,) = carry(replace(run, plan=plan, results=results), read_campaign(firing, today=TODAY), reason="a reason")
    assert (found.cda, found.exponent, found.lines) == (None, None, ())
    assert "nothing of a nitrogen flow is carried to it" in found.remarks[0]


def test_a_plan_that_rests_the_fuel_side_s_exponent_on_it_is_refused_with_a_reason_too(firing):
    plan = read_campaign(firing, today=TODAY).plan
    given = {"exponent_basis": KIND, "exponent_override": "a reason"}
    fuel = tuple(t.model_copy(update=given) if t.name == "fuel" else t for t in plan.tank)
    with pytest.raises(ConfigError, match="tank fuel: nothing of a nitrogen flow is carried to it"):
        check_exponents(plan.model_copy(update={"tank": fuel}))
    other = tuple(t.model_copy(update={"exponent_basis": KIND}) if t.name == "oxidiser" else t for t in plan.tank)
    check_exponents(plan.model_copy(update={"tank": other}))  # raises nothing


def test_a_plan_whose_fuel_side_s_cda_names_it_is_told_so(run, firing, monkeypatch):
    fuel = run.plan.tank[0].model_copy(update={"name": "fuel"})
    results = replace(run.results, tanks={"fuel": run.results.tanks["oxidiser"]})
    other = replace(run, plan=run.plan.model_copy(update={"tank": (fuel,)}), results=results)
    monkeypatch.setattr(carried_runs, "read_analysed", lambda _: other)
    monkeypatch.setattr(carried_runs, "named_run", lambda basis, _: run.folder if "WF-04" in basis else None)
    (said,) = basis_findings(read_campaign(firing, today=TODAY).plan, firing.parent.parent)
    assert said.code == "cda-basis-other-side"
    assert said.severity == "caution"


def test_the_exponent_of_a_tank_that_boiled_is_not_carried(run, firing):
    oxidiser = run.results.tanks["oxidiser"]
    low = replace(oxidiser, end_pressure=replace(oxidiser.end_pressure, value=1.0e5))
    flow = run.plan.flow.model_copy(update={"back_pressure": None})
    plan = run.plan.model_copy(update={"flow": flow})
    found = to_firing(replace(run, plan=plan, results=replace(run.results, tanks={"oxidiser": low})), firing, **ALIKE)
    assert found.exponent.carried is None
    assert "boiled aboard" in found.exponent.refusal


def test_a_flow_whose_warmth_nobody_read_bears_no_witness(run, untold, monkeypatch):
    monkeypatch.setattr(carried_runs, "read_analysed", lambda _: run)
    (run.folder.parent / "two").mkdir(exist_ok=True)
    (seen,) = other_flows(run, "oxidiser")
    assert seen.cavitation == pytest.approx(1.8, abs=0.05)
    monkeypatch.setattr(carried_runs, "read_analysed", lambda _: untold)
    assert other_flows(run, "oxidiser") == ()
