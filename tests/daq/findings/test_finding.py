"""A finding carries the values of its sentence, as numbers that JSON knows."""

import json

import numpy as np
import pytest

from standbook.daq.findings.finding import FindingKind, deduplicate

DRIFT = FindingKind(
    code="zero-drift", severity="note", text="{channel}: drifted by {drift:+.1f} N from T{time:+.2f} s."
)


def test_the_sentence_is_made_from_the_values_that_travel_with_it():
    found = DRIFT.at("LC-1", 1.5, drift=np.float64(2.25))
    assert found.text == "LC-1: drifted by +2.2 N from T+1.50 s."
    assert (found.code, found.severity, found.channel, found.time) == ("zero-drift", "note", "LC-1", 1.5)
    assert json.loads(json.dumps(dict(found.values))) == {"drift": 2.25}


def test_numbers_of_any_library_become_plain_ones_and_words_stay_words():
    kind = FindingKind(code="a", severity="note", text="{count} {share} {flag} {name} {error} {nothing}")
    found = kind.at(
        None, count=np.int64(3), share=np.float32(0.5), flag=True, name="x", error=ValueError("y"), nothing=None
    )
    assert found.values == {"count": 3, "share": 0.5, "flag": True, "name": "x", "error": "y", "nothing": None}
    assert [type(value) for value in found.values.values()] == [int, float, bool, str, str, type(None)]


def test_a_value_that_the_template_does_not_have_is_kept_and_one_that_it_lacks_is_refused():
    assert DRIFT.at("LC-1", 0.0, drift=1.0, cause="heat").values["cause"] == "heat"
    with pytest.raises(KeyError):
        DRIFT.at("LC-1", 0.0)


def test_the_severity_is_the_kind_s_unless_the_emitter_says_otherwise():
    assert DRIFT.at("LC-1", 0.0, drift=1.0, severity="serious").severity == "serious"


def test_other_words_are_still_the_same_kind():
    other = DRIFT.worded("{channel} wandered", severity="caution")
    found = other.at("LC-1")
    assert (found.text, found.severity) == ("LC-1 wandered", "caution")
    assert found.of(DRIFT)
    assert not found.of(FindingKind(code="b", severity="note", text=""))


def test_the_same_sentence_twice_is_one_finding_whatever_its_values():
    first, second = DRIFT.at("LC-1", 0.0, drift=1.0), DRIFT.at("LC-1", 0.0, drift=1.0, cause="heat")
    assert deduplicate([first, second]) == (first,)
