"""Planned numbers beside their measurements: chance makes no caution, weighed amounts are never suspects."""

import math

import numpy as np
import pytest

from standbook.analysis.diagnosis.chance import evidence_of
from standbook.analysis.findings.causes import CDA_MOVED, CSTAR_MOVED, EXPONENT_MOVED, THRUST_COEFFICIENT_MOVED
from standbook.analysis.firing.plan_departures import Departure, departure_findings, ranking_of
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.quantities import Measured
from tests.rehearsed import dataset_of

KINDS = (
    EXPONENT_MOVED["oxidiser"],
    CDA_MOVED["oxidiser"],
    EXPONENT_MOVED["fuel"],
    CDA_MOVED["fuel"],
    CSTAR_MOVED,
    THRUST_COEFFICIENT_MOVED,
)


def departures(*z):
    """One departure for each value of z, measured and planned equally well."""
    return tuple(
        Departure(
            kind=kind,
            about=None,
            words=kind.code,
            measured=Measured(1.0 + 0.01 * one, 0.01 / math.sqrt(2.0), "1"),
            planned=Measured(1.0, 0.01 / math.sqrt(2.0), "1"),
            shown=("", 1.0, 3),
            decide="measure it",
        )
        for kind, one in zip(KINDS, z, strict=False)
    )


def test_evidence_is_that_of_a_wider_normal_density():
    # ln of N(z; 0, 1 + 3^2) over N(z; 0, 1)
    for z in (0.0, 1.0, 2.5, 6.0):
        wide = math.exp(-(z**2) / 20.0) / math.sqrt(10.0)
        assert evidence_of(z) == pytest.approx(math.log(wide / math.exp(-(z**2) / 2.0)), abs=1e-12)


def test_chance_alone_makes_a_caution_in_fewer_than_one_firing_in_fifty():
    random = np.random.default_rng(2)
    alarms = sum(ranking_of(departures(*random.standard_normal(6))).probability > 0.8 for _ in range(4000))
    assert alarms / 4000 < 0.02


def test_a_clear_departure_is_a_caution_and_the_only_one():
    told = departure_findings(departures(0.3, -0.5, 0.1, 6.0, -1.0, 0.4), left_band=False)
    assert [(finding.code, finding.severity) for finding in told] == [("assumption-cda-fuel", "caution")]
    assert "number 1 of 6 considered, clearly before the next" in told[0].text
    assert "%" not in told[0].text
    assert told[0].decided_by == "measure it"


def test_two_that_explain_it_alike_are_both_named_and_one_is_a_caution():
    told = departure_findings(departures(5.0, 0.1, 4.95, 0.2, 0.0, 0.3), left_band=False)
    assert [finding.severity for finding in told] == ["caution", "note"]
    assert "explains it nearly as well" in told[1].text


def test_several_at_once_are_said_to_be_none_of_these():
    told = departure_findings(departures(5.0, 5.1, -4.9, 5.0, 5.2, -5.0), left_band=True)
    assert "several at once, or none of these" in told[0].text


def test_what_chance_explains_is_no_more_than_a_note():
    assert departure_findings(departures(0.3, -0.5, 1.1, 0.2), left_band=False) == []
    told = departure_findings(departures(0.3, -0.5, 2.4, 0.2), left_band=False)
    assert [finding.severity for finding in told] == ["note"]
    assert departure_findings((), left_band=True) == []


@pytest.mark.slow
def test_the_demonstrations_oxidiser_exponent_is_named_first(hf02_campaign, hf02_story, hf02_prediction):
    """The story's telling difference: planned 1.45, about 1.7 in truth, although no one told the analysis."""
    results = analyse(dataset_of(hf02_campaign, hf02_story, prediction=hf02_prediction)).results
    named = [f for f in results.findings if f.code.startswith("assumption-")]
    assert named[0].code == "assumption-exponent-oxidiser"
    assert named[0].channel == "oxidiser"
    assert "number 1 of 6" in named[0].text
    assert "the plan had 1.45" in named[0].text
    assert named[0].text.endswith(f"To decide: {named[0].decided_by}.")


@pytest.mark.slow
def test_nothing_that_was_weighed_is_a_suspect(hf02_campaign, hf02_story, hf02_prediction):
    results = analyse(dataset_of(hf02_campaign, hf02_story, prediction=hf02_prediction)).results
    assert not [f for f in results.findings if f.code.startswith(("assumption-load", "assumption-start"))]
