"""What a crew lists as private: read whole, refused with file and key."""

import re

import pytest

from standbook.analysis.redaction.coordinates import forms_of, parse_coordinates
from standbook.analysis.redaction.folding import fold, folded_text
from standbook.analysis.redaction.private_file import PRIVATE_FILE, private_of
from standbook.analysis.redaction.run_redaction import redaction_of
from standbook.daq.errors import ConfigError, UsageError


def test_without_a_file_nothing_is_listed(tmp_path):
    assert private_of(tmp_path / "runs" / "a").names == ()


def test_the_file_lies_in_the_campaign(tmp_path):
    (tmp_path / PRIVATE_FILE).write_text(
        'names = ["A. Example"]\nplaces = ["Quarry Road"]\ncoordinates = ["52.2053 N, 0.1218 E"]\nwords = ["club"]\n'
    )
    listed = private_of(tmp_path / "runs" / "a")
    assert (listed.names, listed.places, listed.words) == (("A. Example",), ("Quarry Road",), ("club",))
    assert private_of(tmp_path / "a") == listed  # a run that was copied out of "runs"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('names = "A"\n', "names"),
        ('name = ["A. Example"]\n', "name"),
        ('words = ["x"]\n', "too short to be searched for"),
        ('coordinates = ["52.2, 0.1"]\n', "with 3 decimals or more"),
        ('coordinates = ["52.2053"]\n', "must be latitude and longitude"),
        ('coordinates = ["97.2053, 0.1218"]\n', "must be latitude and longitude"),
        ("names = [\n", "not valid TOML"),
    ],
)
def test_a_fault_is_one_sentence_with_file_and_key(tmp_path, text, said):
    (tmp_path / PRIVATE_FILE).write_text(text)
    with pytest.raises(ConfigError) as caught:
        private_of(tmp_path / "runs" / "a")
    assert str(caught.value).startswith(str(tmp_path / PRIVATE_FILE))
    assert said in str(caught.value)
    assert len(caught.value.problems) == 1


def test_a_text_to_hide_that_is_too_short_is_refused(tmp_path):
    with pytest.raises(UsageError, match="two letters or more"):
        redaction_of(tmp_path, ["x"])


# 52.2053 deg is 52 deg 12.318 min is 52 deg 12 min 19.08 s; worked by hand
HERE = [
    "52.2053",
    "52.20531",
    "52,2053",
    "52°12.318'N",
    "52° 12.32′",
    "52 deg 12.3 min",
    "52°12'19\"N",
    "52° 12′ 19.08″",
]
ELSEWHERE = ["52.2063", "152.2053", "0.52205", "52.20", "52°13.318'", "52°12'29\"", "52 12"]


@pytest.mark.parametrize("text", HERE)
def test_a_coordinate_is_known_in_each_of_its_forms(text):
    assert any(re.search(form, folded_text(f"at {text}, gate")) for form in forms_of("52.2053"))


@pytest.mark.parametrize("text", ELSEWHERE)
def test_another_place_is_not_it(text):
    assert not any(re.search(form, folded_text(f"at {text}, gate")) for form in forms_of("52.2053"))


def test_signs_and_letters_are_no_part_of_a_coordinate():
    assert parse_coordinates("-33.8568 S, E 151.2153") == ("33.8568", "151.2153")


@pytest.mark.parametrize(
    "text", ["Müller  Straße", "M\u00fcl\u00adler", "e\u0301t\u00e9", "a\u2013b\u2019s", "ﬁn\u200bal", ""]
)
def test_a_folded_text_knows_where_each_of_its_letters_stood(text):
    folded = fold(text)
    assert folded.text == folded_text(text)
    assert len(folded.places) == len(folded.text)
    assert list(folded.places) == sorted(folded.places)


def test_case_accents_soft_hyphens_and_kinds_of_space_are_one():
    assert folded_text("MÜL\u00adLER\u00a0\n Straße") == "muller strasse"
