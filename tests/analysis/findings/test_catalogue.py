"""The catalogue of findings: complete, the only place that spells codes, emitted, documented and tested."""

import ast
import re
from string import Formatter

import pytest

from standbook.analysis.findings import causes
from standbook.analysis.findings.catalogue import CATALOGUE, SUBJECTS, kind_of, kinds_of, suppress_consequences
from standbook.analysis.findings.channels import CHANNELS_EXCHANGED, GAP, GAUGE_AS_ABSOLUTE
from standbook.analysis.findings.discharge import EXPONENT_NOT_AS_ASSUMED
from standbook.analysis.findings.guide_page import page
from standbook.daq.findings.finding import Finding
from tests.repository import ROOT

READING_BACK = {"startswith", "endswith", "partition", "rpartition", "split", "index", "find", "removeprefix", "count"}


@pytest.fixture(scope="module")
def nodes(source_nodes):
    """Of everything but the catalogue itself."""
    return {name: of for name, of in source_nodes.items() if "/findings/" not in name}


def constants():
    """Every name of the catalogue that is a kind, or several by side."""
    return {
        name
        for subject in SUBJECTS.values()
        for name, value in vars(subject).items()
        if name.isupper() and not name.startswith("_") and list(kinds_of(type("one", (), {name: value})))
    }


def test_codes_are_spelt_in_the_catalogue_alone(nodes):
    """Words without a dash are ordinary words too; that no code is compared at all is the next test."""
    codes = {code for code in CATALOGUE if "-" in code}
    wrong = [
        (name, node.lineno, node.value)
        for name, of in nodes.items()
        for node in of
        if isinstance(node, ast.Constant)
        and node.value in codes
        and not name.startswith(("analysis/simulation/", "daq/rehearsal/"))  # names of what is simulated
    ]
    assert wrong == []


def test_nothing_decides_by_comparing_a_code(nodes):
    wrong = [
        (name, node.lineno)
        for name, of in nodes.items()
        for node in of
        if isinstance(node, ast.Compare)
        and any(isinstance(side, ast.Attribute) and side.attr == "code" for side in (node.left, *node.comparators))
    ]
    assert wrong == []


def test_nothing_makes_a_finding_without_its_kind(nodes):
    wrong = [
        (name, node.lineno)
        for name, of in nodes.items()
        for node in of
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "Finding"
    ]
    assert wrong == []


def test_no_sentence_of_ours_is_read_back_as_data(nodes):
    """No method that searches, and no regular expression, is applied to the text of a finding."""
    wrong = []
    for name, of in nodes.items():
        if "Finding" not in (ROOT / name).read_text(encoding="utf-8"):
            continue
        for node in of:
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                of = node.func.value
                searched = node.func.attr in READING_BACK and isinstance(of, ast.Attribute) and of.attr == "text"
                matched = node.func.attr in {"search", "match", "fullmatch", "findall"} and any(
                    isinstance(argument, ast.Attribute) and argument.attr == "text" for argument in node.args
                )
                if searched or matched:
                    wrong.append((name, node.lineno))
    assert wrong == []


def test_every_kind_is_emitted_somewhere(nodes):
    used = {
        node.id if isinstance(node, ast.Name) else node.attr
        for of in nodes.values()
        for node in of
        if isinstance(node, ast.Name | ast.Attribute)
    }
    assert constants() - used == set()


def test_every_kind_stands_on_the_guide_s_page_and_the_page_is_the_catalogue_s():
    text = (ROOT / "cli" / "guide" / "findings.md").read_text(encoding="utf-8")
    assert text == page(), "make it again: python -m standbook.analysis.findings.guide_page > cli/guide/findings.md"
    assert {code for code in CATALOGUE if f"`{code}`" not in text} == set()


def test_every_kind_is_named_in_a_test():
    """By its code, or by its name in the catalogue."""
    names: dict[str, set[str]] = {}
    for subject in SUBJECTS.values():
        for name, value in vars(subject).items():
            for kind in kinds_of(type("one", (), {name: value})):
                names.setdefault(kind.code, {kind.code}).add(name)
    words = {
        word
        for path in (ROOT / "tests").rglob("*.py")
        if path.name != "test_catalogue.py"
        for word in re.findall(r"[\w-]+", path.read_text(encoding="utf-8"))
    }
    untested = {code for code, known in names.items() if not known & words}
    assert untested == set()


@pytest.mark.parametrize(
    "kind", [kind for subject in SUBJECTS.values() for kind in kinds_of(subject)], ids=lambda k: k.code
)
def test_a_kind_says_one_whole_sentence_from_named_values(kind):
    fields = [field for _, field, _, _ in Formatter().parse(kind.text) if field is not None]
    assert all(re.fullmatch(r"[a-z][a-z0-9_]*", field) for field in fields), fields
    assert re.fullmatch(r"[a-z]+(-[a-z0-9]+)*", kind.code)
    assert kind.text.rstrip("}").endswith((".", "words", "error", "text", "said", "made_up")), kind.text[-40:]


def test_codes_that_share_a_kind_share_what_it_spoils():
    for subject in SUBJECTS.values():
        for kind in kinds_of(subject):
            known = CATALOGUE[kind.code]
            assert (kind.spoils, kind.follows_from, kind.group) == (known.spoils, known.follows_from, known.group)


def test_what_only_follows_from_exchanged_channels_is_left_out():
    exchanged = CHANNELS_EXCHANGED.at("PT-11", 1.0, when="at the mark", wanted="PT-21")
    cause = causes.SENSOR_GAIN.at("fuel", rank=1, share_percent=80.0, what="x", evidence="y", decide="z")
    gap = GAP.at(None, 0.0, key="a/fast", number=1, plural="", part="burn", seconds=0.1)
    assert suppress_consequences([exchanged, cause, gap]) == [exchanged, gap]


def test_a_gauge_reading_taken_for_absolute_leaves_causes_but_no_advice():
    gauge = GAUGE_AS_ABSOLUTE.at("PT-11", 0.0, reading_words="It reads 0.")
    cause = causes.SENSOR_DESCRIBED_ABSOLUTE.at("fuel", rank=1, share_percent=80.0, what="x", evidence="y", decide="z")
    advice = EXPONENT_NOT_AS_ASSUMED.worded("use it").at("fuel")
    assert suppress_consequences([gauge, cause, advice]) == [gauge, cause]


def test_a_likely_cause_that_spoils_the_exponent_takes_the_advice_to_use_it():
    leak = {"rank": 1, "share_percent": 80.0, "what": "x", "evidence": "y", "decide": "z"}
    advice = EXPONENT_NOT_AS_ASSUMED.worded("use it").at("fuel")
    caution, note = (causes.ULLAGE_LEAK.at("fuel", severity=severity, **leak) for severity in ("caution", "note"))
    assert suppress_consequences([caution, advice]) == [caution]
    assert suppress_consequences([note, advice]) == [note]


def test_a_finding_of_an_unknown_code_stands_as_it_is():
    old = Finding(code="of-another-version", severity="caution", channel=None, time=None, text="Something.")
    assert kind_of(old) is None
    assert suppress_consequences([old]) == [old]
