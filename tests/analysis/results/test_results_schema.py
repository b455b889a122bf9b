"""``results.json`` as other programs read it: held against the schema that is published beside the types."""

import json
from dataclasses import fields

import jsonschema
import pytest

from standbook.analysis.results.json_codec import DIALECT, SCHEMA_FILE, from_json, results_schema, to_json
from standbook.analysis.results.results import Results
from tests.analysis import report_fixture as fixture
from tests.repository import ROOT

PUBLISHED = json.loads((ROOT / "analysis" / "results" / SCHEMA_FILE).read_text(encoding="utf-8"))


def what_validates(schema):
    """Leave out titles and descriptions, which each version of the library that writes them words in its own way."""
    if isinstance(schema, list):
        return [what_validates(part) for part in schema]
    if not isinstance(schema, dict):
        return schema
    words = {"title", "description"}
    return {key: what_validates(part) for key, part in schema.items() if key not in words or isinstance(part, dict)}


def test_the_published_schema_is_that_of_the_types():
    """Made again by: python -m standbook.analysis.results.json_codec > analysis/results/results.schema.json."""
    assert what_validates(results_schema()) == what_validates(PUBLISHED)
    assert PUBLISHED["$schema"] == DIALECT
    jsonschema.Draft202012Validator.check_schema(PUBLISHED)


@pytest.mark.parametrize(
    "results",
    [fixture.firing(), fixture.lower_bound(), fixture.nothing_known()],
    ids=["firing", "lower bound", "nothing known"],
)
def test_results_validate_against_it(results):
    jsonschema.validate(json.loads(to_json(results)), PUBLISHED)


def test_the_results_of_an_analysis_validate_and_hold_the_values_of_their_findings(hf02_results):
    written = json.loads(to_json(hf02_results))
    jsonschema.validate(written, PUBLISHED)
    assert written.keys() == {field.name for field in fields(Results)}
    with_values = [finding for finding in written["findings"] if finding["values"]]
    assert with_values
    assert all(isinstance(finding["values"], dict) for finding in written["findings"])


def test_a_wrong_type_is_refused_with_its_place():
    written = json.loads(to_json(fixture.firing()))
    written["impulse"]["value"] = "many"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(written, PUBLISHED)
    with pytest.raises(ValueError, match=r"impulse\.value"):
        from_json(json.dumps(written))


def test_a_file_that_is_no_results_is_refused():
    with pytest.raises(ValueError, match="run"):
        from_json("{}")
    with pytest.raises(ValueError, match="Expecting value"):
        from_json("not json")
