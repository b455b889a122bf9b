"""Uncertainties that nobody reaches are used at their floor, and named once each."""

import dataclasses

import pytest

from standbook.analysis.budget.floors import floored_calibration, floored_plan
from standbook.daq.quantity import parse_quantity
from tests.analysis.dataset.test_supply import calibration


def with_u(quantity, u):
    return dataclasses.replace(quantity, u=u)


def test_the_starter_s_plan_is_above_every_floor(hf02_campaign):
    plan, said = floored_plan(hf02_campaign.plan)
    assert (plan, said) == (hf02_campaign.plan, [])


def test_a_plan_that_claims_too_much_is_held_at_its_floors(hf02_campaign):
    plan = hf02_campaign.plan
    engine = plan.engine.model_copy(update={"throat_diameter": with_u(plan.engine.throat_diameter, 1e-6)})
    site = plan.site.model_copy(update={"ambient_pressure": with_u(plan.site.ambient_pressure, 0.0)})
    first = plan.tank[0]
    sure = first.model_copy(
        update={
            "internal_volume": with_u(first.internal_volume, 1e-7),
            "liquid_density": with_u(first.liquid_density, 0.1),
        }
    )
    claimed = plan.model_copy(update={"engine": engine, "site": site, "tank": (sure, *plan.tank[1:])})
    held, said = floored_plan(claimed)
    assert held.engine.throat_diameter.u == 1e-5
    assert held.site.ambient_pressure.u == 30.0
    assert held.tank[0].internal_volume.u == pytest.approx(0.0005 * first.internal_volume.value)
    assert held.tank[0].liquid_density.u == pytest.approx(0.001 * first.liquid_density.value)
    assert held.tank[1:] == plan.tank[1:]
    assert [(f.code, f.severity, f.channel) for f in said] == [
        ("u-below-floor", "note", None),
        ("u-below-floor", "note", None),
        ("u-below-floor", "note", first.name),
        ("u-below-floor", "note", first.name),
    ]
    assert said[1].text.startswith("throat_diameter claims a standard uncertainty of 0.001 mm; ")
    assert "nobody shows less than 0.01 mm" in said[1].text


def test_a_start_pressure_is_set_to_three_hundredths_of_a_bar_at_best(hf02_campaign):
    plan = hf02_campaign.plan
    first = plan.tank[0].model_copy(update={"start_pressure": with_u(plan.tank[0].start_pressure, 100.0)})
    held, (said,) = floored_plan(plan.model_copy(update={"tank": (first, *plan.tank[1:])}))
    assert held.tank[0].start_pressure.u == 3e3
    assert held.start_pressure(held.tank[0]).value == plan.start_pressure(plan.tank[0]).value
    assert said.text.startswith("oxidiser: start_pressure claims a standard uncertainty of 0.001 bar; ")


@pytest.mark.parametrize(("containers", "percent"), [(1, 0.0), (6, 0.0), (30, 73.2)])
def test_a_load_is_known_to_one_interval_of_the_scale_for_each_container_at_best(hf02_campaign, containers, percent):
    # 10 g, rectangular: 5.77 g a container, against the 0.10 kg that are typed; by hand
    plan = hf02_campaign.plan
    typed = plan.tank[0].liquid_load
    counted = {"containers": containers, "scale_interval": parse_quantity("10 g", "mass")}
    first = plan.tank[0].model_copy(update=counted)
    held, said = floored_plan(plan.model_copy(update={"tank": (first, *plan.tank[1:])}))
    assert held.tank[0].liquid_load.u / typed.u == pytest.approx(1.0 + percent / 100.0, abs=1e-3)
    assert [f.values["what"] for f in said] == (["oxidiser: liquid_load"] if percent else [])


def test_a_pressure_sensor_is_known_to_a_thousandth_of_its_range_at_best():
    held, said = floored_calibration(calibration(), "tank pressure")
    assert held.zero_u() == pytest.approx(0.06)  # bar, of 60
    assert [f.channel for f in said] == ["PT-1"]
    assert "claims a standard uncertainty of 1e-09 bar; " in said[0].text


@pytest.mark.parametrize(
    ("more", "measures"),
    [
        ({"zero_uncertainty": 0.06}, "chamber pressure"),
        ({"reference_uncertainty": "0.12 %"}, "chamber pressure"),
        ({}, "manifold pressure"),  # no result rests on it
        ({"highest": 1e9, "lowest": -1e9}, "tank pressure"),  # an import states no range
    ],
)
def test_what_claims_no_more_or_carries_no_result_is_left_alone(more, measures):
    one = calibration(**more)
    assert floored_calibration(one, measures) == (one, [])
