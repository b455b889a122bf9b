"""A tank cold and under pressure, against printed contractions and the closed form of a thin cylinder."""

import math

import pytest

from standbook.analysis.kinds.registry import predict
from standbook.analysis.physics.vessel_volume import as_filled, contraction, stretch, thermal_change
from standbook.analysis.prediction.predict_firing import predict_firing
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import noted_plan, world_of
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of

EXACT = Draw(1, Errors.none())


def walled(plan, **keys):
    """The plan with its oxidiser tank's wall stated."""
    stated = {
        name: text if name == "wall_material" else parse_quantity(text, "temperature" if "at" in name else "length")
        for name, text in keys.items()
    }
    first, *others = plan.tank
    return plan.model_copy(update={"tank": (first.model_copy(update=stated), *others)})


@pytest.mark.parametrize(
    ("material", "percent"),
    # dL/L from 293 K to 77, 90, 200 K by NIST's polynomials for 6061-T6 and 304, from memory, worked by hand
    [("aluminium", (0.3887, 0.3764, 0.2026)), ("steel", (0.2799, 0.2699, 0.1391))],
)
def test_a_wall_shrinks_as_its_material_is_printed_to(material, percent):
    for temperature, wanted in zip((77.0, 90.0, 200.0), percent, strict=True):
        assert -100.0 * contraction(material, temperature) == pytest.approx(wanted, abs=6e-5)


def test_length_at_room_temperature_changes_as_handbooks_have_it():
    # 6061: 23.6e-6 /K, 304: 17.2e-6 /K around 20 degC, handbooks, from memory; the polynomials end at 300 K
    for material, per_kelvin in (("aluminium", 23.6e-6), ("steel", 17.2e-6)):
        slope = (contraction(material, 298.0) - contraction(material, 288.0)) / 10.0
        assert slope == pytest.approx(per_kelvin, rel=0.12)


@pytest.mark.parametrize(("material", "percent"), [("aluminium", 1.125), ("steel", 0.808)])
def test_a_volume_shrinks_three_times_as_much_less_what_multiplies(material, percent):
    assert -100.0 * thermal_change(material, 90.0, 293.0) == pytest.approx(percent, abs=6e-4)
    assert thermal_change(material, 90.0, 90.0) == 0.0
    there, back = thermal_change(material, 90.0, 293.0), thermal_change(material, 293.0, 90.0)
    assert (1.0 + there) * (1.0 + back) == pytest.approx(1.0, abs=1e-12)


def test_a_thin_cylinder_stretches_by_twice_the_hoop_strain_and_once_the_axial():
    # 230 x 4 mm aluminium at 31 bar: hoop stress p R / t 89.1 MPa, by hand
    hoop = 31e5 * 0.115 / 0.004
    assert hoop == pytest.approx(89.1e6, rel=1e-3)
    around, along = hoop / 70e9 * (1.0 - 0.33 / 2.0), hoop / 70e9 * (0.5 - 0.33)
    found = stretch("aluminium", 0.230, 0.004, 31e5)
    assert found == pytest.approx(2.0 * around + along, rel=1e-12)
    assert 100.0 * found == pytest.approx(0.2343, abs=5e-5)
    assert 100.0 * stretch("steel", 0.230, 0.003, 31e5) == pytest.approx(0.118, abs=1e-3)


def test_a_cryogen_s_tank_counts_smaller_by_the_cold_and_larger_by_the_pressure(hf02_campaign):
    plan = walled(hf02_campaign.plan, wall_material="aluminium", wall_thickness="4 mm", volume_at="293 K")
    typed, found = plan.tank[0].internal_volume, as_filled(plan).tank[0].internal_volume
    # liquid oxygen of 1139 kg/m3 under 32 bar has 92.0 K (reference equation); 0.3745 % of length from there on
    assert found.value / typed.value - 1.0 == pytest.approx(-0.01119 + 0.002343, abs=3e-5)
    own = math.hypot(0.1 * 0.01119, 0.1 * 0.002343, 0.002343 / 2.0 / math.sqrt(3.0))
    assert found.u == pytest.approx(math.hypot(typed.u, own * typed.value), rel=5e-3)
    assert found.text == typed.text
    assert as_filled(plan).tank[1] == plan.tank[1]


def test_a_warm_tank_changes_by_its_pressure_alone(hf02_campaign):
    plan = hf02_campaign.plan
    first, fuel = plan.tank
    stated = {
        "wall_material": "steel",
        "wall_thickness": parse_quantity("3 mm", "length"),
        "volume_at": plan.site.ambient_temperature,
    }
    plan = plan.model_copy(update={"tank": (first, fuel.model_copy(update=stated))})
    found = as_filled(plan).tank[1].internal_volume.value / fuel.internal_volume.value - 1.0
    assert found == pytest.approx(31e5 * 0.1 / (193e9 * 0.003) * (2.5 - 0.58), rel=1e-6)


def test_a_cryogen_s_tank_of_unknown_wall_keeps_its_volume_and_is_less_certain(hf02_campaign):
    plan = hf02_campaign.plan
    typed, found = plan.tank[0].internal_volume, as_filled(plan).tank[0].internal_volume
    assert found.value == typed.value
    limit = 1.0 - (1.0 - 0.003887) ** 3  # aluminium to 77 K, as above
    assert math.sqrt(found.u**2 - typed.u**2) / typed.value == pytest.approx(limit / math.sqrt(3.0), rel=0.01)
    assert as_filled(plan).tank[1] == plan.tank[1]


@pytest.mark.slow
def test_datasets_and_predictions_take_the_volume_as_filled_once(hf02_campaign, hf02_physics):
    plan = walled(hf02_campaign.plan, wall_material="aluminium")
    filled = as_filled(plan)
    rehearsal = instrument(hf02_campaign, hf02_physics, EXACT)
    dataset = dataset_of(hf02_campaign, rehearsal, plan=plan)
    assert dataset.plan.tank[0].internal_volume == filled.tank[0].internal_volume
    predicted = predict(plan, hf02_campaign.stand, samples=40).scalars["impulse"].nominal
    typed, once = (predict_firing(p, hf02_campaign.stand, 40, 1).scalars["impulse"].nominal for p in (plan, filled))
    assert predicted == once
    # 1.1 % less volume is 1.8 % less gas over the oxidiser: some tenths of a per cent of the impulse
    assert 0.001 < abs(once / typed - 1.0) < 0.01


def test_the_simulated_stand_s_tank_has_the_volume_that_its_wall_makes(hf02_campaign):
    plan = walled(hf02_campaign.plan, wall_material="aluminium", wall_thickness="4 mm", volume_at="293 K")
    world = world_of(plan, hf02_campaign.stand, EXACT)
    wanted = as_filled(plan).tank[0].internal_volume.value
    assert world.tank("oxidiser").volume == pytest.approx(wanted, rel=1e-4)  # two codes, two tables
    assert world.tank("oxidiser").wall_thickness == 0.004
    noted = noted_plan(plan, world, EXACT).tank[0].internal_volume.value
    assert noted == pytest.approx(plan.tank[0].internal_volume.value, rel=1e-12)
    for told in ({}, {"wall_material": "steel"}):
        of = walled(hf02_campaign.plan, **told)
        ratio = world_of(of, hf02_campaign.stand, EXACT).tank("oxidiser").volume / of.tank[0].internal_volume.value
        assert ratio == pytest.approx(as_filled(of).tank[0].internal_volume.value / 0.024, rel=2e-4)
