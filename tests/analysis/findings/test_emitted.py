"""Kinds that no other test makes: each emitted by the code that stands for it."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.blowdown.tank_results import cda_against_plan
from standbook.analysis.cold_flow.tank_side import SLOW_VALVE, _valve_findings
from standbook.analysis.dataset.load_run import _notes
from standbook.analysis.diagnosis import flow_diagnosis
from standbook.analysis.diagnosis.no_flow_causes import no_flow_causes
from standbook.analysis.findings.causes import CAUSE_SENSOR_CLIPPED, NOT_DIAGNOSED, VALVE_NOT_OPENED
from standbook.analysis.findings.channels import DEVICE_NOTE
from standbook.analysis.findings.cold_flow import VALVE_SLOW
from standbook.analysis.findings.discharge import CDA_NOT_AS_PLANNED
from standbook.analysis.findings.firing import LOAD_FOR_CLASS
from standbook.analysis.findings.prediction import START_PRESSURES_DRAWN_TOGETHER
from standbook.analysis.firing.class_reserve import reserve_finding
from standbook.analysis.prediction.model_findings import common
from standbook.analysis.results.firing_results import ClassReserve
from standbook.analysis.results.quantities import Measured
from standbook.daq.errors import DataError
from standbook.daq.run.record_summary import NoteRecord
from tests.analysis import report_fixture
from tests.rehearsed import dataset_of


@pytest.fixture(scope="module")
def flow(wf03_campaign, wf03_story):
    return dataset_of(wf03_campaign, wf03_story)


def with_pressures(dataset, alter):
    """The same run with altered samples of its tank pressures."""
    altered = {
        tag: alter(channel) if channel.measures == "tank pressure" else channel
        for tag, channel in dataset.channels.items()
    }
    return replace(dataset, channels=altered)


def held(channel):
    """A pressure that stays where it was before the command, with the noise that it had."""
    before = channel.time < 0.0
    reading, counts = channel.reading[before], channel.counts[before]
    number = channel.time.size
    return replace(channel, reading=np.resize(reading, number), counts=np.resize(counts, number))


def test_a_pressure_that_did_not_move_and_an_empty_bucket_say_that_the_valve_did_not_open(flow):
    (tank,) = flow.plan.tank
    still = with_pressures(flow, held)
    empty = replace(still.weighings[tank.name], caught=Measured(0.0, 0.005, "kg"), expelled=None)
    found = no_flow_causes(replace(still, weighings={tank.name: empty}), tank)
    assert found[0].of(VALVE_NOT_OPENED)
    assert found[0].values["share_percent"] > 90.0


def test_a_pressure_that_stands_on_one_top_code_is_called_clipped_before_any_other_cause(flow):
    (tank,) = flow.plan.tank

    def at_the_top(channel):
        return replace(channel, clipped=channel.time < 5.0)

    (found,) = no_flow_causes(with_pressures(flow, at_the_top), tank)
    assert found.of(CAUSE_SENSOR_CLIPPED)
    assert found.time == pytest.approx(5.0, abs=0.01)


def test_a_flow_area_that_is_not_the_plan_s_is_said_with_both_and_how_far(flow):
    (tank,) = flow.plan.tank
    far = Measured(1.3 * tank.feed_cda.value, 0.01 * tank.feed_cda.value, "m2")
    (found,) = cda_against_plan(tank, far)
    assert found.of(CDA_NOT_AS_PLANNED)
    assert found.values["cda_mm2"] == pytest.approx(1.3 * found.values["plan_mm2"])
    assert cda_against_plan(tank, Measured(tank.feed_cda.value, far.u, "m2")) == []


@pytest.mark.parametrize(("late", "side"), [(2.0, "after"), (-2.0, "before")])
def test_a_flow_that_counts_from_another_instant_than_the_break_names_the_valve(flow, late, side):
    (channel, *_) = flow.measuring("tank pressure", flow.plan.tank[0].name)
    record = SimpleNamespace(opening_time=0.5)
    joint = SimpleNamespace(opening=Measured(0.5 + late * SLOW_VALVE, 0.1 * SLOW_VALVE, "s"))
    (found,) = _valve_findings(channel, record, joint)
    assert found.of(VALVE_SLOW)
    assert (found.values["side"], found.time) == (side, 0.5)


def test_a_word_of_the_device_comes_with_its_severity_and_its_time():
    note = NoteRecord(severity="serious", host_ns=3_500_000_000, text="the device says: 4 rows skipped")
    run = SimpleNamespace(record=SimpleNamespace(devices={"cradle-a": SimpleNamespace(notes=(note,))}))
    (found,) = _notes(run, 1_000_000_000)
    assert found.of(DEVICE_NOTE)
    assert (found.severity, found.time) == ("serious", 2.5)
    assert found.text == "cradle-a: the device says: 4 rows skipped"


def test_causes_that_cannot_be_computed_are_said_to_be_missing(flow, monkeypatch):
    def refuses(*_):
        raise DataError("the property library does not know argon-ish")

    monkeypatch.setattr(flow_diagnosis, "case_of", refuses)
    (found,) = flow_diagnosis.diagnosis_findings(flow, SimpleNamespace(tank=flow.plan.tank[0]))
    assert found.of(NOT_DIAGNOSED)
    assert "argon-ish" in found.text


def test_a_load_is_named_only_where_this_one_was_not_shown_to_be_within():
    reserve = ClassReserve(
        largest_source="cell gain",
        gain=120.0,
        probability_exceeding={"site": 0.4},
        load=12.0,
        greatest_load=11.0,
        limited_by="site",
    )
    verdict = report_fixture.firing().verdicts["site"]
    found = reserve_finding(reserve, {"site": replace(verdict, outcome="not shown")})
    assert found.of(LOAD_FOR_CLASS)
    assert found.values["greatest_load"] == 11.0
    assert reserve_finding(reserve, {"site": replace(verdict, outcome="within")}) is None


def test_start_pressures_of_two_tanks_are_said_to_be_drawn_together(hf02_campaign, wf03_campaign):
    (found,) = common(hf02_campaign.plan, 0, unfinished=0)
    assert found.of(START_PRESSURES_DRAWN_TOGETHER)
    assert common(wf03_campaign.plan, 0, unfinished=0) == ()
