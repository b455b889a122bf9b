"""A check on simulated boards: a sound stand agrees throughout, and each fault of a stand is named by its check."""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from standbook.analysis.stand_checks.unit_ratio import unit_ratio
from standbook.analysis.stand_sheets.check_outcomes import CheckedStand, EarlierValues, chart_values, outcomes
from standbook.analysis.stand_sheets.check_steps import check_steps
from standbook.cli.rehearse_check import check_tables
from standbook.daq.bench.settled_level import level_before
from standbook.daq.bench.step_taking import TakenStep
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import signal_from_counts
from standbook.daq.rehearsal.played_checks import STAND_FAULTS
from standbook.daq.rehearsal.played_levels import HOLD, ROWS_A_SECOND
from tests.cli.made_run import small_campaign, today

TYPED = {"vented": "97.80", "weight": "20", "sag": "2", "low": "3", "tank": "30"}
ANGLES = {"crooked": "5.0/0.2"}
FOUND_BY = {
    "swapped": "swap",
    "reversed-cell": "sign",
    "psi-for-bar": "unit",
    "pounds-for-newtons": "check weight",
    "wrong-file": "unit",
    "absolute-for-gauge": "zero at ambient",
    "zero-off": "zero at ambient",
    "dead-twin": "unit",
    "tanks-connected": "swap",
    "soft-cell": "check weight",
    "bent": "gauge zero",
    "crooked": "alignment",
    "no-edge": "T-0",
    "supply-sag": "sag",
}


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    folder = small_campaign(tmp_path_factory.mktemp("checks"))
    return read_campaign(folder / "plans" / "HF-02.toml", today=today())


def taken(campaign, fault="", seed=1):
    """What every step reads, from the counts of the simulated boards."""
    steps = check_steps(campaign.plan, campaign.stand, campaign.calibrations)
    tables, _ = check_tables(campaign.plan_path, seed, fault)
    signals = {}
    for table in tables:
        for stream in table.streams:
            counts = {wire.name: stream.counts[:, k] for k, wire in enumerate(stream.channels)}
            items = [i for i in campaign.stand.input if (i.device, i.stream) == (table.device, stream.name)]
            by_tag = {i.tag: counts[i.wire] for i in items}
            for item in items:
                supply = 1.0
                if item.supply is not None and item.stated_supply is not None:
                    supply = item.stated_supply.value
                elif item.supply is not None:
                    source = campaign.stand.input_tagged(item.supply)
                    volts = signal_from_counts(source, by_tag[item.supply].astype(np.int64), 1.0)
                    supply = campaign.calibrations[item.supply].si_reading(volts)
                signals[item.tag] = signal_from_counts(item, by_tag[item.tag].astype(np.int64), supply)
    time = np.arange(next(iter(signals.values())).size) / ROWS_A_SECOND
    done = []
    for place, step in enumerate(steps):
        end = HOLD * (place + 1) - 0.5
        levels = {tag: level_before(end, time, signals[tag]) for tag in step.tags}
        value = ANGLES.get(fault, "0.5/0.2") if step.name == "alignment" else TYPED.get(step.name.split()[0], "")
        edges = None
        if step.name == "T-0":
            edges = sum(edge.level == 1 for table in tables for edge in table.edges)
        done.append(TakenStep(name=step.name, value=value, levels=levels, edges=edges))
    return tuple(done)


def checked(campaign, earlier=()):
    earlier = tuple(EarlierValues(on=dt.date(2031, 6, 12 + day), values=values) for day, values in enumerate(earlier))
    return CheckedStand(plan=campaign.plan, stand=campaign.stand, calibrations=campaign.calibrations, earlier=earlier)


@pytest.fixture(scope="module")
def sound(campaign):
    return taken(campaign)


def test_a_sound_stand_agrees_in_every_check_and_says_what_would_surely_be_seen(campaign, sound):
    found = outcomes(checked(campaign, [chart_values(checked(campaign), sound)]), sound)
    assert {one.check.outcome for one in found} == {"agrees"}
    assert {one.kind for one in found} == {
        "zero at ambient", "zero", "unit", "swap", "twin", "sign", "check weight", "shunt", "sag", "T-0", "alignment",
        "gauge span", "gauge zero",
    }  # fmt: skip
    assert all("surely seen" in one.check.sentence for one in found)
    assert all(one.tag in one.check.sentence for one in found if one.kind != "sag")


@pytest.mark.parametrize("fault", STAND_FAULTS)
def test_each_fault_of_a_stand_is_named_by_its_own_check(campaign, sound, fault):
    earlier = [chart_values(checked(campaign), sound)]
    found = outcomes(checked(campaign, earlier), taken(campaign, fault, seed=2))
    differs = {one.kind for one in found if one.check.outcome == "differs"}
    assert FOUND_BY[fault] in differs
    named = " ".join(one.check.sentence for one in found if one.check.outcome == "differs")
    words = {"psi-for-bar": "psi/bar ratio", "pounds-for-newtons": "N/lbf ratio", "swapped": "are swapped"}
    assert words.get(fault, "") in named


def test_all_faults_of_a_stand_have_a_check_that_names_them():
    assert set(FOUND_BY) == set(STAND_FAULTS)


def test_a_first_check_keeps_zeros_and_shunt_steps_for_the_next(campaign, sound):
    values = chart_values(checked(campaign), sound)
    assert {name.split(" of ")[0] for name in values} == {"zero", "shunt step"}
    assert not [one for one in outcomes(checked(campaign), sound) if one.kind in ("zero", "shunt")]


def test_zeros_of_pressures_are_kept_too_those_of_absolute_ones_beyond_the_barometer(campaign, sound):
    values = chart_values(checked(campaign), sound)
    gauges = {tag for tag, c in campaign.calibrations.items() if c.reference == "gauge"}
    assert gauges
    assert gauges | {"LC-1"} == {name.removeprefix("zero of ") for name in values if name.startswith("zero")}
    assert all(abs(values[f"zero of {tag}"]) < 1e3 for tag in gauges)  # 10 mbar; the simulated stand has no offset
    absolute = campaign.calibrations["PT-11"].model_copy(update={"reading_unit": "bar(a)"})
    of = dataclasses.replace(checked(campaign), calibrations={**campaign.calibrations, "PT-11": absolute})
    assert chart_values(of, sound)["zero of PT-11"] == pytest.approx(values["zero of PT-11"] - 97.80e3)


def test_a_shunt_step_that_changed_by_a_thousandth_differs(campaign, sound):
    values = chart_values(checked(campaign), sound)
    moved = {name: value * (1.001 if name.startswith("shunt") else 1.0) for name, value in values.items()}
    found = outcomes(checked(campaign, [moved]), sound)
    assert [one.check.outcome for one in found if one.kind == "shunt"] == ["differs"]


def test_without_a_class_of_the_gauge_and_a_stated_weight_a_unit_cannot_be_told(campaign, sound):
    bare = campaign.stand.model_copy(update={"checks": type(campaign.stand.checks)()})
    found = outcomes(dataclasses.replace(checked(campaign), stand=bare), sound)
    units = [one.check for one in found if one.kind in ("unit", "check weight")]
    assert {check.outcome for check in units} == {"cannot tell"}
    assert all("[checks] of the stand" in check.sentence for check in units)


def test_nothing_is_judged_before_the_vented_step(campaign, sound):
    assert outcomes(checked(campaign), sound[1:]) == ()


def test_a_reading_that_does_not_respond_is_called_so():
    assert "does not respond" in unit_ratio(0.001, 30e5, u=0.01, span=60e5, dimension="pressure").sentence


def stepped(taken, name, **more):
    """The same steps, one of them changed."""
    return tuple(dataclasses.replace(step, **more) if step.name == name else step for step in taken)


def with_levels(taken, name, other, tags=None):
    """The same steps, one of which reads what another one reads: all inputs, or those named."""
    steps = {step.name: step for step in taken}
    own, source = steps[name].levels, steps[other].levels
    return stepped(taken, name, levels={tag: source[tag] if tags is None or tag in tags else own[tag] for tag in own})


def of_kind(found, kind):
    return [one.check for one in found if one.kind == kind]


def test_a_supply_that_did_not_move_cannot_be_told_whatever_was_typed(campaign, sound):
    (sag,) = of_kind(outcomes(checked(campaign), with_levels(sound, "sag", "vented")), "sag")
    assert sag.outcome == "cannot tell"
    assert sag.sentence.startswith("supply sag cannot tell: the supply did not move; surely seen from")
    (sag,) = of_kind(outcomes(checked(campaign), stepped(sound, "sag", value="4")), "sag")
    assert sag.outcome == "cannot tell"
    assert "4 % was typed, the supply itself fell by 2 %" in sag.sentence


def test_a_supply_without_a_channel_of_its_own_cannot_be_told(campaign, sound):
    (step,) = [step for step in sound if step.name == "sag"]
    bare = stepped(sound, "sag", levels={tag: level for tag, level in step.levels.items() if tag != "VS-1"})
    (sag,) = of_kind(outcomes(checked(campaign), bare), "sag")
    assert (sag.outcome, "no channel measures the supply" in sag.sentence) == ("cannot tell", True)


def test_no_pressure_stands_in_the_step_of_t_zero_and_the_supply_in_that_of_the_sag(campaign):
    steps = {s.name: s for s in check_steps(campaign.plan, campaign.stand, campaign.calibrations)}
    assert (steps["T-0"].tags, steps["T-0"].shown) == ((), "")
    assert steps["T-0"].edge == campaign.plan.test.t_zero_edge
    assert steps["sag"].shown == "VS-1"
    assert "VS-1" in steps["vented"].tags


def test_a_step_too_small_for_a_shunt_is_none_and_poisons_no_later_sheet(campaign, sound):
    unshunted = with_levels(sound, "shunt LC-1", "vented")
    (shunt,) = of_kind(outcomes(checked(campaign), unshunted), "shunt")
    assert shunt.outcome == "cannot tell"
    assert "mV/V is no shunt" in shunt.sentence
    assert "shunt step of LC-1" not in chart_values(checked(campaign), unshunted)
    # a sheet of a version that kept such a step is passed over
    good = chart_values(checked(campaign), sound)
    old = [{**good, "shunt step of LC-1": 5e-5}]
    assert not of_kind(outcomes(checked(campaign, old), sound), "shunt")
    (shunt,) = of_kind(outcomes(checked(campaign, [*old, good]), sound), "shunt")
    assert shunt.outcome == "agrees"


def test_a_sheet_held_against_an_earlier_one_names_its_value_and_day(campaign, sound):
    values = chart_values(checked(campaign), sound)
    found = outcomes(checked(campaign, [values]), sound)
    (shunt,), (zero,) = of_kind(found, "shunt"), of_kind(found, "zero")
    assert f"held against {values['shunt step of LC-1']:.5g} mV/V of 2031-06-12; surely seen" in shunt.sentence
    assert " N of 2031-06-12; surely seen" in zero.sentence
    (zero,) = of_kind(outcomes(checked(campaign, [values] * 3), sound), "zero")
    assert " N, 3 sheets until 2031-06-14; surely seen" in zero.sentence
