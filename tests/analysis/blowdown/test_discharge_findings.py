"""What is said of fits to one discharge: nothing where all is as it should be, else one sentence for each oddity."""

from dataclasses import replace

import pytest

from standbook.analysis.blowdown.direct_cda import direct_cda
from standbook.analysis.blowdown.discharge_findings import exponent_findings, joint_findings
from standbook.analysis.blowdown.exponent import exponent_from_pv
from standbook.analysis.blowdown.joint_fit import joint_fit
from standbook.analysis.results.quantities import Measured
from tests.analysis.law_record import EXACT, MASS_ONLY, NO_NOTES, make


@pytest.fixture(scope="module")
def exponent():
    return exponent_from_pv(make(), sensor=EXACT, notes=NO_NOTES)


def test_findings_name_what_is_unusual_of_an_exponent_and_nothing_else(exponent):
    def say(start, drift=-0.3, chord=1.36, misfit=1e-4, isentropic=1.459):
        start, drift, chord = (Measured(value, 0.005, "1") for value in (start, drift, chord))
        seen = replace(exponent, start=start, drift=drift, chord=chord, misfit=misfit, usual_misfit=3.6e-4)
        return [(f.code, f.severity) for f in exponent_findings(seen, isentropic_exponent=isentropic, channel="fuel")]

    assert say(1.48) == []
    assert say(1.54) == [("exponent-start", "note")]
    assert say(1.36) == [("exponent-start", "note")]
    assert say(1.61) == [("exponent-start", "caution")]  # 0.12 above the isentropic, and three u: no gas does that
    assert say(0.87) == [("exponent-start", "caution")]  # below the isothermal
    assert say(1.54, isentropic=None) == []
    assert say(1.48, chord=1.48) == [("exponent-above-isentropic", "note")]
    assert say(1.48, chord=1.51) == [("exponent-above-isentropic", "caution")]
    assert say(1.48, chord=0.97) == [("exponent-below-one", "caution")]
    assert say(1.48, chord=0.995) == [("exponent-below-one", "note")]  # within two standard uncertainties
    assert say(1.48, drift=0.1) == [("exponent-drift", "note")]
    assert say(1.48, misfit=1e-3) == [("exponent-misfit", "note")]
    assert say(1.48, misfit=5e-3) == [("exponent-misfit", "note")]
    assert say(1.48, misfit=7e-3) == [("exponent-misfit", "caution")]


def test_a_wrong_direct_value_and_a_late_opening_are_told():
    record = make(noise=1e3)
    wrong = direct_cda(replace(record, expelled_mass=record.expelled_mass * 1.05), sensor=EXACT, notes=MASS_ONLY)
    got = joint_fit(record, sensor=EXACT, notes=MASS_ONLY, direct=wrong)
    assert [(f.code, f.channel) for f in joint_findings(got, wrong, "fuel")] == [("cda-disagree", "fuel")]
    assert not got.facts["agrees with the direct CdA"]
    late = replace(record, opening_time=1.5)
    direct = direct_cda(late, sensor=EXACT, notes=MASS_ONLY)
    codes = [f.code for f in joint_findings(joint_fit(late, sensor=EXACT, notes=MASS_ONLY), direct, "fuel")]
    assert codes == ["start-pressure-unsure"]  # half a second of falling pressure taken for rest


def test_every_fact_that_does_not_hold_is_told():
    direct = direct_cda(make(), sensor=EXACT, notes=MASS_ONLY)
    joint = joint_fit(make(), sensor=EXACT, notes=MASS_ONLY, direct=direct)

    def codes(**broken):
        facts = joint.facts | {name.replace("_", " "): value for name, value in broken.items()}
        return [(f.code, f.severity) for f in joint_findings(replace(joint, facts=facts), direct, "fuel")]

    assert all(joint.facts.values())
    assert codes() == []
    assert codes(converged=False) == [("joint-fit-failed", "serious")]
    assert codes(covariance_usable=False) == [("joint-fit-failed", "serious")]
    assert codes(inside_its_bounds=False) == [("joint-fit-at-bound", "caution")]
    assert codes(start_pressure_known=False) == [("start-pressure-unsure", "caution")]
