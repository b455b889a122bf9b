"""What a plan does not state of the chamber, named in the bound that it raises."""

import itertools

import pytest

from standbook.analysis.physics.performance import unstated_share
from standbook.analysis.results.quantities import Measured
from standbook.analysis.witnesses.evidence import Evidence
from standbook.analysis.witnesses.routes import CHAMBER, MASS, Route, unsaid_facts
from standbook.analysis.witnesses.verdicts import raised_bound
from standbook.daq.config.plan import Engine
from tests.analysis import report_fixture as fixture

STATED = {"contraction_ratio": "4.0", "chamber_tap": "injector face", "throat_material": "copper"}
WORDS = {"contraction_ratio": "contraction ratio", "chamber_tap": "pressure tap", "throat_material": "throat material"}


def engine(facts):
    return Engine.model_validate(
        {
            "throat_diameter": "32.00 +/- 0.02 mm",
            "expansion_ratio": "3.4",
            "cstar_table": ((1.0, "1500 m/s"), (1.4, "1600 m/s")),
            "cstar_efficiency": "0.92",
            "vacuum_thrust_coefficient": "1.6",
            "thrust_coefficient_efficiency": "0.96",
            **{name: STATED[name] for name in facts},
        }
    )


@pytest.mark.parametrize("facts", [f for n in range(4) for f in itertools.combinations(STATED, n)])
def test_facts_are_named_exactly_where_they_are_not_stated_and_cost_a_share(facts):
    found = unsaid_facts(engine(facts))
    assert found == tuple(word for name, word in WORDS.items() if name not in facts)
    assert bool(found) == (unstated_share(engine(facts)) > 0.0)


@pytest.mark.parametrize(
    ("unsaid", "said"),
    [
        (("throat material",), "the chamber pressure plus 3.4 %, as the plan states no throat material"),
        (("pressure tap", "throat material"), "states no pressure tap or throat material"),
        (tuple(WORDS.values()), "states no contraction ratio, pressure tap or throat material"),
    ],
)
def test_a_raised_bound_names_its_route_its_share_and_the_facts(unsaid, said):
    route = Route(
        name=CHAMBER,
        start=1.0,
        end=9.0,
        impulse=Measured(101.0, 1.0, "N*s"),
        cell=100.0,
        coefficient_u=0.01,
        unstated=0.034,
        unsaid=unsaid,
    )
    evidence = Evidence(routes=(route,), course=None, cell_u=0.01, gain_proven=False, clock_proven=True, findings=())
    site = fixture.firing().impulse
    bound = raised_bound(evidence, site, 0.0)
    assert bound.by.endswith(said)
    assert bound.impulse == pytest.approx(site.value * 1.01 * 1.034, rel=1e-12)


@pytest.mark.parametrize("proven", [False, True])
def test_an_unproven_clock_adds_half_of_the_weighed_route_s_uncertainty(proven):
    route = Route(name=MASS, start=1.0, end=9.0, impulse=Measured(101.0, 2.02, "N*s"), cell=100.0, coefficient_u=0.01)
    evidence = Evidence(routes=(route,), course=None, cell_u=0.01, gain_proven=False, clock_proven=proven, findings=())
    site = fixture.firing().impulse
    bound = raised_bound(evidence, site, 0.0)
    assert bound.impulse == pytest.approx(site.value * 1.01 * (1.0 if proven else 1.01), rel=1e-12)
    assert bound.by == "the expelled mass" + ("" if proven else " plus 1.0 %, as nothing vouches for the clock")
