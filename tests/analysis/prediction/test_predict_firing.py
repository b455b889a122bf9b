"""Bands of the demo plans' predictions, and what a prediction says about itself; figures: ``tests/published``."""

import dataclasses
import re
import time

import numpy as np
import pytest
from scipy import constants

from standbook.analysis.kinds.registry import SAMPLES, SEED, predict
from standbook.analysis.results.prediction import Prediction
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import read_stand
from standbook.daq.config.toml_document import parse_document
from standbook.daq.errors import ConfigError, DataError
from tests.repository import ROOT

HERE = ROOT / "tests" / "analysis" / "teasel"
STAND = read_stand(HERE / "stand.toml")
FIRING = (HERE / "firing.toml").read_text(encoding="utf-8")
WATER = (HERE / "water_flow.toml").read_text(encoding="utf-8")
BAR = constants.bar


def plan(text, changes=None):
    for old, new in (changes or {}).items():
        assert text.count(old) >= 1, f"{old!r} does not stand in the plan"
        text = text.replace(old, new)
    return parse_document(text, Plan, "plan")


def few(text, changes=None, samples=60):
    return predict(plan(text, changes), STAND, samples=samples)


def codes(prediction):
    return {finding.code: finding for finding in prediction.findings}


@pytest.fixture(scope="module")
def firing():
    return predict(plan(FIRING), STAND)


@pytest.fixture(scope="module")
def water():
    return predict(plan(WATER), STAND)


# Another, plain model of the demo drew nine inputs, c* efficiency with 2.0 % where the plan's 0.02 of 0.92 is 2.2 %,
# by 500 plain draws, whose 2.5 % ends scatter by an eighth of a standard deviation; ours draws every "+/-" of the
# plan. Hence a third of a standard deviation.
BANDS = {
    "thrust at start": (2485.0, 2686.0),
    "thrust at end": (1210.0, 1416.0),
    "burn time": (17.6, 20.3),
    "impulse": (31570.0, 36230.0),
    "impulse in vacuum": (36310.0, 41577.0),
    "mean mixture ratio": (1.42, 1.78),
}


@pytest.mark.parametrize(("name", "band"), BANDS.items())
def test_the_firing_s_band_is_that_of_another_model(firing, name, band):
    found = firing.scalars[name]
    tolerance = (band[1] - band[0]) / 4.0 / 3.0
    assert (found.low, found.high) == pytest.approx(band, abs=tolerance)


def test_the_mean_of_the_samples_lies_below_nominal_because_propellant_strands(firing):
    impulse = firing.scalars["impulse"]
    assert impulse.mean < impulse.nominal - 300.0
    left = [firing.scalars[f"left aboard/{name}"] for name in ("oxidiser", "fuel")]
    assert sum(item.mean for item in left) > sum(item.nominal for item in left) + 0.2
    assert "strands propellant" in codes(firing)["mean-below-nominal"].text


def test_the_class_margin_is_comfortable_at_site_and_over_the_limit_in_vacuum(firing):
    margin = firing.class_margin
    assert margin.site.outlook == "within"
    assert margin.site.share_of_limit == pytest.approx(0.843, abs=0.002)
    assert margin.vacuum.outlook == "not shown"
    assert margin.vacuum.share_of_limit == pytest.approx(0.971, abs=0.002)
    assert margin.vacuum.nominal < margin.limit < margin.vacuum.upper
    # One-sided 95 % lies inside the upper end of the two-sided band.
    assert margin.vacuum.upper < firing.scalars["impulse in vacuum"].high
    found = codes(firing)
    assert found["class-upper-bound-vacuum"].severity == "caution"
    assert "class-upper-bound-site" not in found


def test_without_a_hardware_limit_the_full_load_is_null_and_said(firing):
    assert firing.class_margin.full_site is None
    assert firing.class_margin.full_vacuum is None
    assert "not limited by hardware" in codes(firing)["load-not-limited"].text


@pytest.mark.slow
def test_tanks_as_full_as_the_hardware_permits_make_load_control_evidence():
    # 50 % of 24 L at 1139 kg/m3 and 57 % of 18 L at 858 kg/m3: a plain explicit-step model has 42.3 kN*s at site and
    # 50.0 in vacuum.
    full = {
        'liquid_load = "10.66 +/- 0.10 kg"': 'liquid_load = "10.66 +/- 0.10 kg"\ngreatest_load = "13.668 kg"',
        'liquid_load = "7.03 +/- 0.04 kg"': 'liquid_load = "7.03 +/- 0.04 kg"\ngreatest_load = "8.803 kg"',
    }
    found = few(FIRING, full)
    assert found.class_margin.full_site.nominal == pytest.approx(42314.0, rel=5e-3)
    assert found.class_margin.full_vacuum.nominal == pytest.approx(50037.0, rel=5e-3)
    assert found.class_margin.full_vacuum.outlook == "exceeds"
    assert "overflow port" in codes(found)["hardware-full-over-limit"].text
    assert "load-not-limited" not in codes(found)
    # With hardware that lets in no more than the plan loads there is nothing to add.
    snug = {old: new.replace("13.668", "10.66").replace("8.803", "7.03") for old, new in full.items()}
    tight = few(FIRING, snug | {"40960 N*s": "60000 N*s"})
    assert tight.class_margin.full_site.nominal == pytest.approx(tight.class_margin.site.nominal, rel=1e-4)
    assert "hardware-full-over-limit" not in codes(tight)


@pytest.mark.slow
def test_lift_off_holds_at_48_kg_and_fails_at_51_kg_on_the_lower_bound(firing):
    check = firing.lift_off
    assert check.ratio == pytest.approx(5.51, rel=5e-3)
    assert check.lower == pytest.approx(5.28, rel=0.015)  # ours also draws the mass and the throat
    assert check.holds
    assert 48.0 < check.greatest_mass < 51.0
    heavy = few(FIRING, {"48.0 +/- 0.5 kg": "51.0 kg"}, samples=SAMPLES)
    assert heavy.lift_off.ratio == pytest.approx(5.18, rel=5e-3)
    assert heavy.lift_off.lower < 5.0 < heavy.lift_off.ratio
    assert not heavy.lift_off.holds
    assert "shed mass" in codes(heavy)["lift-off-below-required"].text
    assert "lift-off-below-required" not in codes(firing)


@pytest.mark.slow
def test_a_higher_oxidiser_exponent_strands_oxidiser_and_runs_fuel_out_first():
    truth = {
        "1.45 +/- 0.12": "1.70 +/- 0.01",
        "13.0 +/- 0.3 mm2": "13.065 +/- 0.03 mm2",
        "0.92 +/- 0.02": "0.915 +/- 0.001",
    }
    found = few(FIRING, truth)
    left = {name: found.scalars[f"left aboard/{name}"].nominal for name in ("oxidiser", "fuel")}
    assert left["oxidiser"] > 0.9
    assert left["fuel"] == pytest.approx(0.25, abs=1e-6)
    order = codes(found)["run-out-order"]
    assert order.severity == "caution"
    assert "but fuel is" in order.text


@pytest.mark.slow
def test_larger_loads_put_the_run_on_the_line_and_vacuum_over_it():
    found = few(FIRING, {"10.66 +/- 0.10 kg": "13.083 +/- 0.001 kg", "7.03 +/- 0.04 kg": "8.628 +/- 0.001 kg"})
    assert found.class_margin.vacuum.outlook == "exceeds"
    assert "already over" in codes(found)["class-upper-bound-vacuum"].text


@pytest.mark.slow
def test_vacuum_is_left_out_of_the_findings_where_the_plan_does_not_ask():
    found = few(FIRING, {"also_at_vacuum = true": "also_at_vacuum = false"})
    assert "class-upper-bound-vacuum" not in codes(found)
    assert found.class_margin.vacuum.nominal > found.class_margin.site.nominal


def test_a_valve_closed_early_ends_the_flow_there(water):
    found = few(WATER, {'end = "run-out"': 'end = "valve closed early"\nclose_after = "14 s"'})
    numbers = found.scalars
    assert numbers["flow time"].nominal == numbers["flow time"].high == 14.0
    assert numbers["run-out time"].nominal == pytest.approx(water.scalars["run-out time"].nominal, rel=1e-6)
    assert found.time[-1] == pytest.approx(14.0)
    at_close = np.interp(14.0, water.time, water.quantities["tank pressure/oxidiser"].nominal)
    assert numbers["tank pressure at end"].nominal == pytest.approx(at_close, rel=1e-5)
    assert found.main_number == "expelled mass"
    assert numbers["expelled mass"].nominal + numbers["left aboard"].nominal == pytest.approx(9.34, rel=1e-7)
    assert "closing-after-run-out" not in codes(found)


def test_a_valve_closed_after_run_out_is_cautioned():
    found = few(WATER, {'end = "run-out"': 'end = "valve closed early"\nclose_after = "16.8 s"'})
    assert found.scalars["flow time"].nominal == found.scalars["run-out time"].nominal
    assert found.scalars["flow time"].high == 16.8
    late = codes(found)["closing-after-run-out"]
    assert late.severity == "caution"
    assert "Close earlier" in late.text


def test_a_valve_closed_early_at_no_stated_time_is_said():
    found = few(WATER, {'end = "run-out"': 'end = "valve closed early"'})
    assert "close_after" in codes(found)["closing-not-stated"].text


def test_a_stated_back_pressure_slows_the_flow(water):
    found = few(WATER, {'end = "run-out"': 'end = "run-out"\nback_pressure = "1.0 +/- 0.02 bar(g)"'})
    assert found.scalars["mass flow at start"].nominal == pytest.approx(
        water.scalars["mass flow at start"].nominal * np.sqrt(8.0 / 9.0), rel=1e-6
    )
    vacuum = few(WATER, {'end = "run-out"': 'end = "run-out"\nback_pressure = "10 kPa(a)"'})
    assert vacuum.scalars["flow time"].nominal < water.scalars["flow time"].nominal


def test_head_of_the_liquid_column_quickens_the_flow(water):
    column = 'internal_diameter = "230 mm"\noutlet_below_floor = "0.25 m"'
    tall = few(WATER, {'pressurant = "nitrogen"': 'pressurant = "nitrogen"\n' + column})
    # 998.2 kg/m3 x g x (0.25 + 0.2252 m) is 4.65 kPa on 900 kPa.
    gain = tall.scalars["mass flow at start"].nominal / water.scalars["mass flow at start"].nominal
    assert gain == pytest.approx(np.sqrt(1.0 + 4.652e3 / 900e3), rel=1e-5)
    assert "head-left-out" in codes(water)
    assert "head-left-out" not in codes(tall)


def test_the_same_plan_samples_and_seed_give_the_same_file(water):
    again = predict(plan(WATER), STAND, samples=SAMPLES, seed=SEED)
    assert again.to_json() == water.to_json()
    assert predict(plan(WATER), STAND, seed=SEED + 1).to_json() != water.to_json()


def test_another_seed_moves_the_band_by_little(water):
    other = predict(plan(WATER), STAND, seed=SEED + 1)
    for name, found in water.scalars.items():
        width = found.high - found.low
        assert (other.scalars[name].low, other.scalars[name].high) == pytest.approx(
            (found.low, found.high), abs=0.1 * width + 1e-12
        )


def test_a_plan_without_uncertainties_has_the_band_of_the_floors_and_says_so():
    sure = re.sub(r" \+/- [0-9.]+", "", WATER)
    found = few(sure)
    for scalar in found.scalars.values():
        assert scalar.low == pytest.approx(scalar.nominal, rel=0.02, abs=0.02)
        assert scalar.high == pytest.approx(scalar.nominal, rel=0.02, abs=0.02)
    claimed = [f.text for f in found.findings if f.code == "u-below-floor"]
    assert len(claimed) == 4
    assert all(any(name in text for text in claimed) for name in ("barometer", "start_pressure", "volume", "density"))
    assert found.contributions


@pytest.mark.parametrize("name", ["firing", "water"])
def test_a_prediction_survives_its_file_exactly(name, request):
    prediction = request.getfixturevalue(name)
    text = prediction.to_json()
    read = Prediction.from_json(text)
    assert read.to_json() == text
    assert len(text.encode()) < 300_000
    assert prediction.time.size <= 600
    np.testing.assert_array_equal(read.time, prediction.time)
    for quantity, band in prediction.quantities.items():
        for column in ("nominal", "low", "high"):
            np.testing.assert_array_equal(getattr(read.quantities[quantity], column), getattr(band, column))
    assert read.scalars == prediction.scalars
    assert read.class_margin == prediction.class_margin
    assert read.lift_off == prediction.lift_off
    assert read.findings == prediction.findings
    assert read.contributions == prediction.contributions


def test_a_prediction_cannot_be_changed(firing):
    with pytest.raises(ValueError, match="read-only"):
        firing.quantities["thrust"].nominal[0] = 0.0
    with pytest.raises(AttributeError):
        firing.samples = 1


@pytest.mark.parametrize("text", ["", "{}", "[]", '{"format": 1}', '{"format": 2}'])
def test_what_is_not_a_prediction_is_refused(text):
    with pytest.raises(DataError, match="predict"):
        Prediction.from_json(text)


def test_bands_hold_the_nominal_while_it_burns_and_end_as_they_must(firing):
    time_axis, end = firing.time, firing.scalars["burn time"].nominal
    burning = time_axis < end
    for name, band in firing.quantities.items():
        assert band.nominal.shape == band.low.shape == band.high.shape == time_axis.shape
        early = time_axis < 0.8 * end
        assert (band.low[early] <= band.nominal[early]).all(), name
        assert (band.nominal[early] <= band.high[early]).all(), name
    after = ~burning & (time_axis > end + 0.01)
    assert after.any()
    assert (firing.quantities["thrust"].nominal[after] == 0.0).all()
    assert np.isnan(firing.quantities["tank pressure/oxidiser"].nominal[after]).all()
    assert (firing.quantities["chamber pressure"].nominal[after] == 97.8e3).all()
    impulse = firing.quantities["cumulative impulse"]
    assert impulse.nominal[-1] == pytest.approx(firing.scalars["impulse"].nominal, rel=1e-7)
    assert (np.diff(impulse.nominal) >= 0.0).all()


def test_contributions_name_what_widens_the_impulse(firing):
    terms = {term.source: term.u for term in firing.contributions}
    # Closed form: impulse is nearly in proportion to the c* efficiency, 0.02 of 0.92, and more so at site.
    assert terms["c* efficiency"] == pytest.approx(0.02 / 0.92 * 34542.0, rel=0.2)
    assert firing.contributions[0].source == "c* efficiency"
    assert [t.u for t in firing.contributions] == sorted(terms.values(), reverse=True)
    total = np.sqrt(sum(u**2 for u in terms.values()))
    assert total == pytest.approx(firing.scalars["impulse"].u, rel=0.05)


@pytest.mark.slow
def test_half_a_thousand_samples_take_seconds():
    begun = time.process_time()
    predict(plan(FIRING), STAND)
    # Required: 60 s on two cores; measured about 2 s of processor time, so this only catches a collapse.
    assert time.process_time() - begun < 20.0


def test_few_samples_are_a_callers_bug():
    with pytest.raises(ValueError, match="at least 40"):
        predict(plan(FIRING), STAND, samples=39)


def test_a_recording_without_a_plan_has_nothing_to_predict():
    with pytest.raises(DataError, match="nothing flows in a bench"):
        few(WATER, {'kind = "water flow"': 'kind = "bench"'})


def test_a_tank_below_the_back_pressure_is_refused():
    with pytest.raises(DataError, match="nothing would flow"):
        few(WATER, {"9.0 +/- 0.05 bar(g)": "0.9 bar(a)"})


def test_a_tank_whose_gas_expands_to_the_back_pressure_first_is_refused():
    with pytest.raises(DataError, match="does not run out"):
        few(WATER, {"9.0 +/- 0.05 bar(g)": "0.4 bar(g)"})


@pytest.mark.slow
def test_a_firing_that_never_runs_out_is_refused():
    # A gas that loses its pressure so fast pushes less and less.
    with pytest.raises(DataError, match="no tank runs out"):
        few(FIRING, {"1.45 +/- 0.12": "20", "1.30 +/- 0.06": "20"})


def test_a_firing_needs_its_engine():
    blind = plan(FIRING).model_copy(update={"engine": None})
    with pytest.raises(ConfigError, match=r"\[engine\]"):
        predict(blind, STAND, samples=40)


@pytest.mark.slow
def test_a_plan_without_a_class_has_no_margin():
    free = predict(plan(FIRING).model_copy(update={"impulse_class": None}), STAND, samples=40)
    assert free.class_margin is None
    assert not {code for code in codes(free) if code.startswith(("class-", "load-", "limit-"))}


def test_an_uncertain_residual_never_falls_below_nothing():
    found = few(WATER, {"0.08 kg": "0.02 +/- 0.05 kg"})
    assert found.scalars["left aboard"].low == pytest.approx(0.0, abs=1e-12)
    assert found.scalars["left aboard"].high == pytest.approx(0.02 + 1.96 * 0.05, rel=0.1)
    assert "draws-held" not in codes(found)


@pytest.mark.slow
def test_a_limit_that_is_not_what_its_rule_prints_is_pointed_out(firing):
    found = codes(few(FIRING, {"40960 N*s": "9208 lbf*s"}))
    assert "40,959.2" in found["limit-differs-from-rule"].text
    assert "limit-differs-from-rule" not in codes(firing)
    own = few(FIRING, {"40960 N*s": "38000 N*s", "14 CFR 101.22 Class 2": "club rule 7"})
    assert "limit-differs-from-rule" not in codes(own)


@pytest.mark.slow
def test_edges_of_the_model_are_named():
    def seen(changes):
        return codes(few(FIRING, changes, samples=40))

    weak = seen({'throat_diameter = "32.00 +/- 0.05 mm"': 'throat_diameter = "160 mm"'})
    assert "not choked" in weak["throat-not-choked"].text
    lean = seen({"13.0 +/- 0.3 mm2": "7.0 +/- 0.1 mm2"})
    assert lean["cstar-table-left"].severity == "caution"
    soft = seen({"16.2 +/- 0.4 mm2": "40 mm2"})
    assert "oxidiser side" in soft["stiffness-low"].text
    wild = seen({"10.66 +/- 0.10 kg": "10.66 +/- 12 kg"})
    assert wild["draws-held"].severity == "caution"
    clogged = seen({"31.0 +/- 0.15 bar(g)": "31.0 +/- 20 bar(g)"})
    assert clogged["samples-unfinished"].severity == "caution"


@pytest.mark.slow
def test_a_stand_rated_below_the_thrust_is_serious(firing):
    weak = STAND.model_copy(update={"rated_load": dataclasses.replace(STAND.rated_load, value=2000.0, text="2 kN")})
    found = codes(predict(plan(FIRING), weak, samples=40))
    assert found["stand-rated-load"].severity == "serious"
    assert "stand-rated-load" not in codes(firing)
    unrated = STAND.model_copy(update={"rated_load": None})
    assert "stand-rated-load" not in codes(predict(plan(FIRING), unrated, samples=40))


@pytest.mark.slow
def test_a_plan_without_order_or_lift_off_says_nothing_about_them():
    lift_off = '[lift_off]\nmass = "48.0 +/- 0.5 kg"\nleast_thrust_to_weight = "5.0"\n'
    found = few(FIRING, {'run_out_first = "oxidiser"': "", lift_off: ""})
    assert found.lift_off is None
    assert not {"run-out-order", "run-out-order-unsure"} & set(codes(found))
