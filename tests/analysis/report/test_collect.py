"""The report's context, gathered from a run of the starter campaign."""

from dataclasses import replace

import pytest

from standbook.analysis.report import collect
from standbook.analysis.results.prediction import Prediction, Scalar
from standbook.daq.config.campaign import read_campaign
from standbook.daq.quantity import parse_quantity
from standbook.daq.run.additions import Weighing
from standbook.daq.run.record_summary import RecordSummary
from standbook.daq.run.run_folder import Run, RunInfo
from standbook.daq.storage.manifest import Manifest
from tests.analysis import report_fixture as fixture
from tests.analysis.report_fixture import rendered
from tests.campaign_fixture import TODAY, campaign
from tests.thermometer_fixture import thermometer_campaign

CREATED = "2031-06-15T09:30:00Z"


def prediction():
    scalars = {
        "impulse": Scalar(nominal=34542.0, low=31570.0, high=36230.0, mean=34200.0, u=1200.0, unit="N*s"),
        "tank pressure at end/oxidiser": Scalar(
            nominal=15.7e5, low=14.8e5, high=16.6e5, mean=15.7e5, u=0.4e5, unit="Pa"
        ),
        "expelled mass": Scalar(nominal=17.23, low=16.8, high=17.3, mean=17.1, u=0.1, unit="kg"),
        "mass flow at start": Scalar(nominal=1.229, low=1.19, high=1.27, mean=1.23, u=0.02, unit="kg/s"),
    }
    return Prediction(
        number="HF-02",
        kind="static fire",
        article="Teasel-2",
        samples=500,
        seed=1,
        ambient_pressure=97.8e3,
        time=gather_array(),
        quantities={},
        scalars=scalars,
        contributions=(),
        main_number="impulse",
        class_margin=None,
        lift_off=None,
        findings=(),
    )


def gather_array():
    return fixture.np.array([0.0, 1.0])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = campaign(tmp_path_factory.mktemp("campaign"))
    return read_campaign(folder / "plans" / "HF-02.toml", today=TODAY)


def run_of(made, *, rehearsal=False):
    info = RunInfo(
        number="HF-02",
        kind="static fire",
        rehearsal=rehearsal,
        software="standbook 0.1.0",
        created_utc="2031-06-14T14:00:00Z",
        prediction="locked",
        lock={"plan_sha256": "ab" * 32, "locked_at_utc": "2031-06-13T18:02:44Z"},
    )
    weighing = Weighing(residual=parse_quantity("0.98 +/- 0.03 kg", "mass"), source="additions/001, by DAQ")
    return Run(
        folder=made.folder / "runs" / "2031-06-14_HF-02",
        info=info,
        plan=made.plan,
        stand=made.stand,
        calibrations=made.calibrations,
        prediction_text=prediction().to_json(),
        record=RecordSummary(devices={}, t_zero=None),
        weighings={"oxidiser": weighing},
        manifest=Manifest("cd" * 32, {"plan.toml": "ab" * 32, "raw/x": "ef" * 32}, {}),
    )


def test_the_plan_arrives_with_uncertainties_in_si(made):
    plan = collect.context_from_run(run_of(made), fixture.firing(), created=CREATED).plan
    oxidiser = plan.tanks[0]
    assert oxidiser.name == "oxidiser"
    assert oxidiser.load.value == pytest.approx(10.66)  # the starter's plan is the scenario's
    assert oxidiser.load.u == pytest.approx(0.10)
    assert oxidiser.start_pressure.value == pytest.approx(31.978e5)  # 31.0 bar(g) on 97.8 kPa(a)
    assert oxidiser.fill_share == pytest.approx(0.39, abs=0.005)
    assert oxidiser.pressure_tags[0] == "PT-11"
    assert plan.limit == 40960.0


def test_lock_hashes_and_weighings_are_carried(made):
    context = collect.context_from_run(run_of(made), fixture.firing(), created=CREATED)
    assert context.locked_at == "2031-06-13T18:02:44Z"
    assert context.manifest_sha256 == "cd" * 32
    assert [item.name for item in context.files] == ["plan.toml", "raw/x"]
    assert [(w.tank, w.what, w.mass.value, w.place, w.by) for w in context.weighings] == [
        ("oxidiser", "residual", 0.98, "additions/001", "DAQ")
    ]
    assert context.command == "standbook analyse runs/2031-06-14_HF-02"


def test_a_postdiction_shows_no_lock_time(made):
    late = replace(fixture.firing(), prediction="postdiction")
    assert collect.context_from_run(run_of(made), late, created=CREATED).locked_at is None


def test_a_rehearsal_is_not_offered_for_signature(made):
    assert collect.context_from_run(run_of(made), fixture.firing(), created=CREATED).signature_allowed
    rehearsed = replace(fixture.firing(), rehearsal=True)
    for run, results in ((run_of(made, rehearsal=True), fixture.firing()), (run_of(made), rehearsed)):
        assert not collect.context_from_run(run, results, created=CREATED).signature_allowed


def test_predicted_numbers_meet_their_measured_ones():
    pairs = {pair.name: pair.measured for pair in collect.predicted_scalars(prediction(), fixture.firing())}
    assert list(pairs) == ["Impulse", "Tank pressure at end, oxidiser", "Expelled mass"]  # nothing measures mass flow
    assert pairs["Impulse"].value == fixture.firing().impulse.value
    assert pairs["Tank pressure at end, oxidiser"].value == 14.71e5
    assert pairs["Expelled mass"].value == pytest.approx(9.68 + 6.78)
    assert pairs["Expelled mass"].u == pytest.approx(0.03 * 2**0.5)


def test_a_lower_bound_is_not_set_against_a_band():
    pairs = {pair.name: pair.measured for pair in collect.predicted_scalars(prediction(), fixture.lower_bound())}
    assert pairs["Impulse"] is None
    bare = {pair.name: pair.measured for pair in collect.predicted_scalars(prediction(), fixture.nothing_known())}
    assert set(bare.values()) == {None}


def test_a_water_flow_takes_its_only_tank():
    flow = replace(
        prediction(),
        scalars={
            "tank pressure at start": Scalar(nominal=9.98e5, low=9.9e5, high=10.1e5, mean=9.98e5, u=5e3, unit="Pa")
        },
    )
    pair = collect.predicted_scalars(flow, fixture.water_flow()[0])[0]
    assert pair.measured.value == 9.98e5


def test_thrust_is_recomputed_by_hand_where_there_is_thrust(made):
    item = collect.context_from_run(run_of(made), fixture.firing(), created=CREATED).recomputation
    (cell,) = item.channels
    assert cell.tag == "LC-1"
    assert cell.samples_file == "samples/cradle-a_fast.parquet"
    assert cell.signal_rule == "1000 × counts × 2.384186e-09 V / 5.000 V of the sensor supply"
    assert cell.coefficients == made.calibrations["LC-1"].coefficients
    bare = replace(run_of(made), calibrations={})
    context = collect.context_from_run(bare, fixture.firing(), created=CREATED)
    assert context.recomputation is None
    assert context.calibrations == ()


def test_a_sensor_that_follows_a_standard_is_listed_with_its_class(tmp_path):
    found = read_campaign(thermometer_campaign(tmp_path), today=TODAY).calibrations
    assert collect.calibration_used(found["TC-11"]).tolerance == "IEC 60751, class B"
    assert collect.calibration_used(found["PT-11"]).tolerance == ""


def test_a_later_calibration_replaces_the_locked_one_everywhere(made):
    later = made.calibrations["LC-1"].model_copy(update={"revision": "r99", "coefficients": (0.0, 2.0)})
    context = collect.context_from_run(run_of(made), fixture.firing(), created=CREATED, later={"LC-1": later})
    assert [item.revision for item in context.calibrations if item.tag == "LC-1"] == ["r99"]
    assert context.recomputation.channels[0].coefficients == (0.0, 2.0)
    kept = "runs/2031-06-14_HF-02/analysis/rev-A/calibrations/LC-1_r99.toml"
    assert context.command == f"standbook analyse runs/2031-06-14_HF-02 --calibration {kept}"


def test_a_gathered_context_renders(made):
    context = collect.context_from_run(run_of(made), fixture.firing(), created=CREATED, deviations=("Fired late.",))
    page = rendered(fixture.firing(), {}, context)
    assert "Fired late." in page
    assert "LC-1" in page
