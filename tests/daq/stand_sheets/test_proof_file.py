"""The record of a hydrostatic proof: every key must be there, a gas is no liquid, and it is never a permission."""

import pytest

from standbook.daq.errors import ConfigError
from standbook.daq.stand_sheets.evidence import evidence_files, read_evidence
from standbook.daq.stand_sheets.proof_file import newest_proofs, read_proof

TEXT = """\
tank = "oxidiser"
date = 2031-05-20
role = "licensed inspector"
code = "the pressure code of the place"
liquid = "water"
pressure = "46.5 +/- 0.5 bar(g)"
held = "15 min"
gauge = "G-17, class 1"
result = "held"
record = "binder 3, sheet 12"
"""


def proof_in(folder, text=TEXT, name="2031-05-20_oxidiser"):
    place = folder / "proofs" / f"{name}.toml"
    place.parent.mkdir(exist_ok=True)
    place.write_text(text, encoding="utf-8")
    return place


def test_a_proof_says_what_was_done_by_whom_under_which_code(tmp_path):
    assert read_proof(proof_in(tmp_path)).sentence == (
        "held 46.5 +/- 0.5 bar(g) of water for 15 min on 2031-05-20, by licensed inspector under the pressure code of "
        "the place"
    )


@pytest.mark.parametrize("line", TEXT.splitlines())
def test_a_proof_with_a_key_missing_is_refused_by_the_key(tmp_path, line):
    key = line.partition(" ")[0]
    with pytest.raises(ConfigError, match=key):
        read_proof(proof_in(tmp_path, TEXT.replace(f"{line}\n", "")))


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        (('"water"', '"Nitrogen"'), "is a gas"),
        (("bar(g)", "bar(a)"), "must be a gauge pressure"),
        (('"15 min"', '"0 min"'), "more than zero"),
        (('"licensed inspector"', '""'), "role"),
        (('"held"', '"passed"'), "result"),
        (('"oxidiser"', '"fuel"'), "its name says another"),
    ],
)
def test_a_proof_that_says_something_wrong_is_refused(tmp_path, change, sentence):
    with pytest.raises(ConfigError, match=sentence):
        read_proof(proof_in(tmp_path, TEXT.replace(*change)))


def test_the_newest_proof_of_each_tank_counts_and_a_run_takes_it_along(tmp_path):
    proof_in(tmp_path)
    proof_in(tmp_path, TEXT.replace("2031-05-20", "2031-06-01").replace("46.5", "50.0"), "2031-06-01_oxidiser")
    assert newest_proofs(tmp_path)["oxidiser"].pressure.value == pytest.approx(50e5)
    assert set(evidence_files(tmp_path, "HF-02", ("oxidiser", "fuel"))) == {"proofs/2031-06-01_oxidiser.toml"}
    (proof,) = read_evidence(tmp_path, "HF-02").proofs
    assert proof.pressure.value == pytest.approx(50e5)
