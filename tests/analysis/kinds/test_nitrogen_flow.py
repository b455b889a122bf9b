"""A flow of liquid nitrogen: its state at the outlet, its amount by the tank's weight, what boiling and flashing limit.

Fluid values are CoolProp's (Span et al. 2000); [WebBook] values of nitrogen are from memory.
"""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.blowdown.record import averaged_flow
from standbook.analysis.cold_flow.boiling_findings import boiling_findings
from standbook.analysis.cold_flow.boiling_liquid import LiquidState, as_flowed
from standbook.analysis.cold_flow.flow_findings import course_findings
from standbook.analysis.cold_flow.observed_amounts import observed_amounts
from standbook.analysis.cold_flow.seen_flow import first_with_flow
from standbook.analysis.cold_flow.tank_side import flow_side
from standbook.analysis.dataset.boil_off import greatest_boil_off
from standbook.analysis.dataset.dataset import Weighing
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.physics import fluids
from standbook.analysis.results.quantities import Measured
from standbook.daq.quantity import parse_quantity
from tests.analysis.nitrogen_fixture import BOILS, BOILS_U, STOOD, nitrogen_campaign, nitrogen_dataset

BAR = 1e5
AMBIENT = 0.978e5  # of the plan


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return nitrogen_campaign(tmp_path_factory.mktemp("nitrogen"))


@pytest.fixture(scope="module")
def played(campaign):
    return nitrogen_dataset(campaign)


@pytest.fixture(scope="module")
def dataset(played):
    return played[0]


@pytest.fixture(scope="module")
def seen(dataset):
    return first_with_flow(dataset, dataset.measuring("tank pressure", "oxidiser"))


@pytest.fixture(scope="module")
def results(dataset):
    return analyse(dataset).results


@pytest.fixture(scope="module")
def untold(dataset):
    return analyse(without(dataset, "TC-11")).results


def without(dataset, tag):
    return replace(dataset, channels={name: c for name, c in dataset.channels.items() if name != tag})


def reading(dataset, kelvin):
    """The same record with a thermometer that read something else."""
    outlet = dataset.channels["TC-11"]
    steady = replace(outlet, reading=np.full(outlet.time.size, kelvin))
    return replace(dataset, channels={**dataset.channels, "TC-11": steady})


def flowed(dataset, seen):
    return as_flowed(dataset, dataset.plan.tank[0], seen.channel, seen.instants)


def codes(findings, severity=None):
    return {f.code for f in findings if severity is None or f.severity == severity}


def finding(findings, code):
    return next(f for f in findings if f.code == code)


def start_of(seen):
    before = (seen.channel.time > seen.instants.opening.time - 1.1) & (
        seen.channel.time < seen.instants.opening.time - 0.1
    )
    return float(np.nanmean(seen.channel.reading[before]))


def test_nitrogen_boils_in_air_where_the_tables_have_it():
    """[WebBook], 77.355 K and 806.1 kg/m3 at 101.325 kPa; from memory."""
    temperature, density = fluids.boiling_liquid("liquid nitrogen", pressure=101325.0)
    assert temperature == pytest.approx(77.355, abs=2e-3)
    assert density == pytest.approx(806.1, abs=0.1)


@pytest.mark.parametrize(
    ("kelvin", "bar", "density"), [(80.0, 1.369, 790.0), (90.0, 3.600, 746.0), (100.0, 7.775, 691.0)]
)
def test_boiling_nitrogen_is_that_of_a_printed_table(kelvin, bar, density):
    """Table of an encyclopedia of thermal fluids, which fits its pressures to 0.5 and its densities to 0.2 %; seen."""
    assert fluids.vapour_pressure("LN2", temperature=kelvin) == pytest.approx(bar * BAR, rel=5e-3)
    assert fluids.boiling_liquid("LN2", pressure=bar * BAR)[1] == pytest.approx(density, rel=6e-3)


def test_above_its_critical_pressure_the_warmest_liquid_is_that_just_below():
    # 3.396 MPa and 126.19 K, [WebBook] from memory
    assert fluids.critical_pressure("LN2") == pytest.approx(3.396e6, rel=1e-3)
    assert fluids.warmest_liquid("LN2", pressure=60 * BAR) == fluids.warmest_liquid("LN2", pressure=34 * BAR)
    assert fluids.warmest_liquid("LN2", pressure=60 * BAR)[0] < 126.19


@pytest.mark.parametrize("kelvin", [77.5, 80.0, 90.0])
def test_density_and_vapour_pressure_are_those_at_the_outlet_thermometer_s_temperature(dataset, seen, kelvin):
    state = flowed(reading(dataset, kelvin), seen).state
    assert state.told_by == "TC-11"
    assert (state.coldest, state.warmest) == pytest.approx((kelvin, kelvin))
    most, least = (
        fluids.density("nitrogen", pressure=p, temperature=kelvin)
        for p in (start_of(seen), fluids.vapour_pressure("nitrogen", temperature=kelvin) + 1.0)
    )
    assert least <= state.density.value <= most
    assert state.vapour_pressure == pytest.approx(fluids.vapour_pressure("nitrogen", temperature=kelvin))


def test_u_of_the_density_is_that_of_the_thermometer(dataset, seen):
    density = flowed(reading(dataset, 80.0), seen).state.density
    u = dataset.channels["TC-11"].reading_u(80.0, dataset.plan.site.ambient_pressure)
    warm, cold = (fluids.density("nitrogen", pressure=start_of(seen), temperature=t) for t in (79.5, 80.5))
    assert u > 0.5  # its zero alone is 1 K, read as a standard uncertainty
    assert density.u == pytest.approx((warm - cold) * u, rel=0.02)


def test_without_a_thermometer_the_liquid_is_anything_from_boiling_in_air_to_boiling_at_tank_pressure(dataset, seen):
    found = flowed(without(dataset, "TC-11"), seen)
    boils, least = fluids.boiling_liquid("nitrogen", pressure=start_of(seen))
    in_air, _ = fluids.boiling_liquid("nitrogen", pressure=AMBIENT)
    assert in_air == pytest.approx(77.0, abs=0.1)  # 77 K, as people say
    assert (found.state.coldest, found.state.warmest) == pytest.approx((in_air, boils), rel=1e-6)
    most = fluids.density("nitrogen", pressure=start_of(seen), temperature=in_air)
    assert found.state.density.value == pytest.approx((most + least) / 2.0, rel=1e-6)
    assert found.state.density.u == pytest.approx((most - least) / 2.0 / math.sqrt(3.0), rel=1e-6)
    said = finding(found.findings, "no-outlet-thermometer")
    assert said.severity == "caution"
    assert "no thermometer of this tank was recorded" in said.text


def test_a_thermometer_that_stayed_warm_was_not_in_the_liquid(dataset, seen):
    found = flowed(reading(dataset, 150.0), seen)
    assert found.state.told_by == ""
    assert "TC-11 was not in the liquid" in finding(found.findings, "no-outlet-thermometer").text


def test_a_liquid_that_does_not_boil_in_air_keeps_the_plan_s_density(dataset, seen):
    (tank,) = dataset.plan.tank
    wet = tank.model_copy(update={"liquid": "water"})
    found = flowed(replace(dataset, plan=dataset.plan.model_copy(update={"tank": (wet,)})), seen)
    assert found.state is None
    assert codes(found.findings) == {"liquid-not-known"}
    assert found.dataset.plan.tank[0].liquid_density == tank.liquid_density


def test_a_load_that_would_not_fit_at_the_density_read_is_said(dataset, seen):
    (tank,) = dataset.plan.tank
    small = tank.model_copy(update={"internal_volume": replace(tank.internal_volume, value=6.3e-3)})  # 5.0 kg at 796
    found = flowed(reading(replace(dataset, plan=dataset.plan.model_copy(update={"tank": (small,)})), 80.0), seen)
    assert found.state is None
    assert "more than the tank's" in finding(found.findings, "liquid-not-known").text


def test_what_boiled_off_before_the_vent_was_closed_was_not_aboard(dataset, seen):
    load, aboard = dataset.plan.tank[0].liquid_load, flowed(dataset, seen).dataset.plan.tank[0].liquid_load
    assert aboard.value == pytest.approx(load.value - BOILS * STOOD)
    assert aboard.u == pytest.approx(math.hypot(load.u, BOILS_U * STOOD))


def test_a_boil_off_that_nobody_stated_is_half_of_the_most_and_as_unsure(dataset, seen):
    quiet = Weighing(residual=dataset.weighings["oxidiser"].residual, vented=900.0)
    found = flowed(replace(dataset, weighings={"oxidiser": quiet}), seen)
    load, aboard = dataset.plan.tank[0].liquid_load, found.dataset.plan.tank[0].liquid_load
    # 25 g/min at most of 10 kg, with the two-thirds power of the mass; a judgement
    most = 0.025 * 15.0 * (load.value / 10.0) ** (2.0 / 3.0)
    assert greatest_boil_off(load.value, quiet) == (900.0, pytest.approx(most))
    assert load.value - aboard.value == pytest.approx(most / 2.0)
    assert aboard.u == pytest.approx(math.hypot(load.u, most / 2.0 / math.sqrt(3.0)))
    assert finding(found.findings, "load-boiled-off").severity == "note"


def test_what_was_caught_is_left_out_with_a_finding(dataset, seen):
    caught = replace(dataset.weighings["oxidiser"], caught=Measured(5.0, 0.02, "kg"), residual=None)
    found = flowed(replace(dataset, weighings={"oxidiser": caught}), seen)
    assert finding(found.findings, "cannot-be-caught").severity == "caution"
    side = flow_side(found.dataset, found.dataset.plan.tank[0], seen.channel, seen.instants)
    assert side.amounts == ()
    assert side.result.cda is None


def test_a_meter_on_the_way_is_left_out_with_a_finding(dataset, seen):
    metered = replace(dataset.channels["PT-12"], measures="liquid flow", tank=None, tag="FM-1")
    items = tuple(
        i.model_copy(update={"tag": "FM-1", "measures": "liquid flow", "tank": None}) if i.tag == "PT-12" else i
        for i in dataset.stand.input
    )
    stand = dataset.stand.model_copy(update={"input": items})
    found = flowed(replace(dataset, stand=stand, channels={**dataset.channels, "FM-1": metered}), seen)
    assert finding(found.findings, "cannot-be-caught").channel == "FM-1"
    side = flow_side(found.dataset, found.dataset.plan.tank[0], seen.channel, seen.instants)
    assert [amount.name for amount in side.amounts] == ["drained"]


def test_the_amount_is_the_tank_before_less_boil_off_less_the_tank_after(dataset, results):
    load, left = dataset.plan.tank[0].liquid_load, dataset.weighings["oxidiser"].residual
    found = results.tanks["oxidiser"].expelled_mass
    assert found.value == pytest.approx(load.value - BOILS * STOOD - left.value, rel=1e-9)
    assert found.u == pytest.approx(math.hypot(load.u, BOILS_U * STOOD, left.u), rel=1e-6)


def test_a_healthy_nitrogen_flow_holds_the_truth_and_raises_no_caution(played, results):
    found, truth = results.tanks["oxidiser"], played[1]
    assert abs(found.cda.value - truth.cda["oxidiser"]) < 2.0 * found.cda.u
    chord = found.exponent.chord
    assert abs(chord.value - truth.exponent_chord["oxidiser"]) < 2.0 * chord.u
    assert chord.value > 1.68  # above helium's isentropic one: usual over a cold liquid
    assert all(found.facts.values())
    assert codes(results.findings, "serious") | codes(results.findings, "caution") == set()
    assert "liquid-as-flowed" in codes(results.findings, "note")


def test_cda_goes_as_the_root_of_the_density_and_so_does_its_u(results, untold):
    told, wide = results.tanks["oxidiser"], untold.tanks["oxidiser"]
    density = [
        (finding(r.findings, code).values["density"], finding(r.findings, code).values["density_u"])
        for r, code in ((results, "liquid-as-flowed"), (untold, "no-outlet-thermometer"))
    ]
    ratio = math.sqrt(density[0][0] / density[1][0])
    # the column's head, some 0.03 bar of 5 to 1, is all that knows the density besides
    assert wide.cda.value / told.cda.value == pytest.approx(ratio, rel=2e-3)
    term = next(term.u for term in wide.cda_budget if term.source == "density")
    assert term / wide.cda.value == pytest.approx(0.5 * density[1][1] / density[1][0], rel=0.1)
    assert wide.cda.u > told.cda.u


def test_an_unweighed_tank_gives_no_cda_and_is_told_what_to_weigh(dataset):
    results = analyse(replace(dataset, weighings={})).results
    assert results.tanks["oxidiser"].cda is None
    assert "cannot be caught: weigh the tank after the flow" in finding(results.findings, "not-weighed").text


# --- what limits the flow -------------------------------------------------------------------------------------------

STATE = LiquidState(
    coldest=78.0, warmest=78.8, density=Measured(800.0, 3.0, "kg/m3"), vapour_pressure=1.2e5, told_by="TC-11"
)


def limits(dataset, seen, *, inlet="sharp", behind=4.0, end=9.0, ran_dry=False, state=STATE):
    """What is said of a flow from 10 bar(a) to ``end`` against a pressure behind, all in bar(a)."""
    (tank,) = dataset.plan.tank
    tank = tank.model_copy(update={"injector_inlet": inlet})
    held = parse_quantity(f"{behind} bar(a)", "pressure")
    plan = dataset.plan.model_copy(
        update={"flow": dataset.plan.flow.model_copy(update={"back_pressure": held}), "tank": (tank,)}
    )
    side = SimpleNamespace(
        tank=tank,
        instants=replace(seen.instants, ran_dry=ran_dry),
        result=SimpleNamespace(start_pressure=Measured(10e5, 1e3, "Pa"), end_pressure=Measured(end * BAR, 1e3, "Pa")),
    )
    return boiling_findings(replace(dataset, plan=plan), side, state)


@pytest.mark.parametrize(
    ("inlet", "behind", "number", "severity"),
    [
        ("sharp", 5.8, None, None),  # (10 - 1.2) / (10 - 5.8) = 2.10
        ("sharp", 5.4, 1.913, "note"),
        ("sharp", 4.0, 1.467, "caution"),
        ("unknown", 4.0, 1.467, "caution"),
        ("rounded 0.2 d", 4.0, 1.467, "note"),
        ("rounded 0.2 d", 0.978, 0.972, "caution"),  # (9 - 1.2) / (9 - 0.978): flashing fills no hole
    ],
)
def test_the_cavitation_number_limits_the_flow_as_it_does_for_water(dataset, seen, inlet, behind, number, severity):
    said = limits(dataset, seen, inlet=inlet, behind=behind)
    assert [f.severity for f in said] == ([] if severity is None else [severity])
    if severity is not None:
        assert codes(said) == {"may-flash"}
        assert said[0].values["least"] == pytest.approx(number, abs=1e-3)
        assert said[0].values["needed_bar"] == pytest.approx(5.6)  # K = 2: 10 - (10 - 1.2) / 2


def test_a_vapour_pressure_above_the_pressure_behind_is_called_flashing(dataset, seen):
    (said,) = limits(dataset, seen, behind=0.978)
    assert "flashes in the holes" in said.text
    (other,) = limits(dataset, seen, behind=4.0)
    assert "cavitation limits this CdA" in other.text


def test_a_tank_that_fell_below_the_vapour_pressure_boiled(dataset, seen):
    boiled = finding(limits(dataset, seen, behind=0.978, end=1.15), "boils-in-tank")
    assert boiled.severity == "caution"
    assert (boiled.values["end_bar"], boiled.values["vapour_bar"]) == (pytest.approx(1.15), pytest.approx(1.2))
    assert "boils-in-tank" not in codes(limits(dataset, seen, behind=0.978, end=1.25))


def test_two_phases_at_the_end_are_no_run_out(dataset, seen):
    said = finding(limits(dataset, seen, behind=5.8, ran_dry=True), "two-phase-end")
    assert said.severity == "note"
    assert said.values["seconds"] == pytest.approx(seen.instants.end.time - seen.instants.opening.time)
    assert said.values["end_u_ms"] == pytest.approx(1e3 * seen.instants.end.u)
    assert "no sign that the tank was empty" in said.text
    assert limits(dataset, seen, behind=5.8) == []


def test_no_amount_is_taken_from_what_looks_like_a_run_out(dataset, seen):
    (tank,) = dataset.plan.tank
    dry = replace(seen.instants, ran_dry=True)
    unweighed = replace(dataset, weighings={})
    flow = averaged_flow(flow_side(dataset, tank, seen.channel, seen.instants).record)
    assert observed_amounts(unweighed, tank, dry, flow).amounts == ()
    water = unweighed.plan.model_copy(update={"test": unweighed.plan.test.model_copy(update={"kind": "water flow"})})
    amounts = observed_amounts(replace(unweighed, plan=water), tank, dry, flow).amounts
    assert [amount.name for amount in amounts] == ["run-out"]
    side = flow_side(dataset, tank, seen.channel, dry)
    assert codes(course_findings(dataset, side)) <= {"pressure-not-held"}


def test_nothing_is_held_against_a_vapour_pressure_that_is_not_known(dataset, seen):
    assert limits(dataset, seen, ran_dry=True, state=None) == []
