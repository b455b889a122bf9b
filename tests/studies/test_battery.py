"""A few cases of each family of the battery that starts no process; the count that matters is the study's own."""

import itertools

import pytest

from tests import battery_files, battery_links
from tests.studies.battery import Case, Said, fault, play

FAMILIES = {
    "tampering": battery_files._tampered,
    "not sealed": battery_files._tampered_before_sealing,
    "sealed again": battery_files._sealed_again,
    "typed": battery_files._typed,
    "import": battery_files._imported,
    "wire": battery_links._damaged,
    "disk": battery_links._refusing_disks,
}


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_cases_of_a_family_end_in_a_code_and_a_sentence(family):
    chosen = list(itertools.islice(FAMILIES[family](), 3, None, 61))[:3]
    assert len(chosen) >= 2
    assert [f"{case.name}: {wrong}" for case in chosen if (wrong := play(case))] == []


def test_the_judge_sees_other_codes_tracebacks_silence_and_exceptions():
    fine = Said(6, "", "standbook: a.toml: no such file\n")
    assert fault(fine, {6}) == ""
    assert "code 6, expected [3]" in fault(fine, {3})
    assert fault(Said(6, "", ""), {6}) == "code 6 without a word"
    assert fault(Said(6, "", "Traceback (most recent call last)"), {6}) == "a traceback"
    assert "no sentence" in fault(Said(6, "", "standbook: " + "x" * 9000), {6})
    assert play(Case("any", "raises", lambda _: str(1 // 0))).startswith("ZeroDivisionError")
