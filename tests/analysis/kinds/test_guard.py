"""No record ends in a traceback: what fails inside a part leaves that part out, with a finding."""

import numpy as np
import pytest

from standbook.analysis.dataset.guard import guarded
from standbook.analysis.kinds import static_fire
from standbook.analysis.kinds.registry import analyse
from tests.rehearsed import dataset_of


@pytest.fixture(scope="module")
def dataset(hf02_campaign, hf02_rehearsal):
    return dataset_of(hf02_campaign, hf02_rehearsal)


def failing(*_, **__):
    raise np.linalg.LinAlgError("SVD did not converge\nin Linear Least Squares")


def test_a_part_that_fails_leaves_its_place_and_one_sentence():
    made, said = guarded("The spectrum", failing, 7)
    assert made == 7
    assert [finding.code for finding in said] == ["part-failed"]
    assert said[0].severity == "serious"
    assert "The spectrum could not be computed from this record (LinAlgError: SVD did not converge in" in said[0].text
    assert guarded("The spectrum", lambda: 3, 7) == (3, [])


def test_a_mistake_of_the_program_passes_through():
    with pytest.raises(TypeError):
        guarded("The spectrum", lambda: len(5), 7)


@pytest.mark.slow
def test_a_detail_that_fails_leaves_impulse_and_verdict(dataset, monkeypatch):
    monkeypatch.setattr(static_fire, "firing_detail", failing)
    results = analyse(dataset).results
    assert results.impulse is not None
    assert results.verdicts["site"].outcome == "within"
    assert results.firing.stability is None
    assert "part-failed" in {finding.code for finding in results.findings}


def test_an_impulse_that_fails_shows_nothing_and_says_so(dataset, monkeypatch):
    monkeypatch.setattr(static_fire, "thrust_record", failing)
    results = analyse(dataset).results
    assert results.impulse is None
    assert {verdict.outcome for verdict in results.verdicts.values()} == {"not shown"}
    assert "The impulse could not be computed" in next(f.text for f in results.findings if f.code == "part-failed")
