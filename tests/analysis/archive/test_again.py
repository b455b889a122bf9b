"""Results held against a fresh analysis: nine digits, and what is said of a number that comes out otherwise."""

from dataclasses import replace
from types import SimpleNamespace

from standbook.analysis.archive import again
from standbook.analysis.archive.again import differences
from standbook.analysis.results.saved_results import read_results
from tests.repository import ROOT

FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))
KEPT = read_results(FIRING).results


def held(monkeypatch, change):
    monkeypatch.setattr(again, "analyse", lambda dataset, *, revision: SimpleNamespace(results=change(KEPT)))
    return differences(SimpleNamespace(results=KEPT, dataset=None))


def scaled(results, by):
    return replace(results, impulse=replace(results.impulse, value=results.impulse.value * by))


def test_the_same_numbers_are_counted(monkeypatch):
    number, odd = held(monkeypatch, lambda results: results)
    assert number > 40
    assert odd == []
    assert held(monkeypatch, lambda results: scaled(results, 1.0 + 5e-10))[1] == []


def test_a_number_that_differs_in_the_ninth_digit_is_named_with_both_values(monkeypatch):
    (said,) = held(monkeypatch, lambda results: scaled(results, 1.0 + 2e-9))[1]
    kept = KEPT.impulse.value
    assert said == f"impulse: {kept} kept, {kept * (1.0 + 2e-9)} again"


def test_an_uncertainty_that_differs_is_named_as_one(monkeypatch):
    def doubted(results):
        return replace(results, impulse=replace(results.impulse, u=100.0))

    (said,) = held(monkeypatch, doubted)[1]
    assert said == f"u of impulse: {KEPT.impulse.u} kept, 100.0 again"


def test_what_is_no_longer_found_is_named_and_many_are_counted(monkeypatch):
    assert held(monkeypatch, lambda results: replace(results, impulse=None))[1] == ["impulse: no longer found"]
    said = held(monkeypatch, lambda results: replace(results, engine=None, tanks={}, impulse=None))[1]
    assert len(said) == 4
    assert said[-1].startswith("and ")
