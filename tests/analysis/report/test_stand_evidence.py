"""What page one says of the stand before the run, and which files a run takes along."""

import datetime as dt
from types import SimpleNamespace

from standbook.analysis.report.stand_evidence import stand_lines, waiver_lines
from standbook.daq.stand_sheets.evidence import Evidence, evidence_files, read_evidence
from standbook.daq.stand_sheets.waiver_file import Waiver
from tests.analysis.readiness.test_facts import NOW, TAPS, check_of, hold, loaded, proof, sheet

WAIVER = Waiver(fact="modes of the stand", ruins="0.5 %", role="TC", reason="no mallet", at=NOW)


def test_page_one_names_the_sheet_what_differs_what_was_left_out_and_each_waiver():
    changed = sheet(check=[check_of("PT-11", "unit"), check_of("PT-12", "twin", "differs")], left_out=["sag"])
    found = Evidence(check=changed, holds=(hold("fuel"),), load=loaded(), waivers=(WAIVER,))
    checked, held, load = stand_lines(found)
    assert checked == "2031-06-14 09:18, sheet j: 1 checks agree, 1 differs: twin of PT-12; left out: sag"
    assert held == "Tank fuel held on 2031-06-14: tight"
    assert load == "Load by the cell 10 kg, by containers 10 kg: agrees"
    assert waiver_lines(found) == ("modes of the stand, by TC: no mallet; ruins 0.5 %",)


def test_page_one_names_a_proof_as_evidence_and_what_was_practised_as_practised():
    found = Evidence(
        check=None, holds=(hold("fuel").model_copy(update={"rehearsal": True}),), load=None, waivers=(),
        proofs=(proof("fuel"),),
    )  # fmt: skip
    proved, held = stand_lines(found)
    assert proved == (
        "Tank fuel, hydrostatic: held 46.5 +/- 0.5 bar(g) of water for 15 min on 2031-05-20, by licensed inspector "
        "under the code of the place; evidence, no permission"
    )
    assert held == "Tank fuel held on 2031-06-14, on simulated boards: tight"


def test_page_one_names_the_pulls_and_taps_that_were_locked():
    nothing = Evidence(check=None, holds=(), load=None, waivers=())
    pull = SimpleNamespace(date=dt.date(2031, 6, 12), terms={"offset": "1 N", "gain": "0.986 +/- 0.002"})
    assert stand_lines(nothing, {"LC-1": pull}, TAPS) == (
        "LC-1 pulled on 2031-06-12: cell over true force, lines empty, 0.986 +/- 0.002",
        "Tapped on 2031-06-12, tanks full: 41.0 +/- 0.1 Hz",
    )


def test_a_stand_that_nobody_checked_takes_no_line():
    nothing = Evidence(check=None, holds=(), load=None, waivers=())
    assert stand_lines(nothing) == waiver_lines(nothing) == ()


def test_a_run_takes_the_newest_sheets_of_its_plan_and_tanks(tmp_path):
    for name in (
        "2031-06-13_HF-02",
        "2031-06-14_HF-02",
        "2031-06-14_HF-02_10",
        "2031-06-14_HF-02_9",
        "2031-06-15_WF-03",
    ):
        place = tmp_path / "checks" / f"{name}.toml"
        place.parent.mkdir(exist_ok=True)
        number = name.split("_")[1]
        place.write_text(
            f'plan = "{number}"\nat = {name[:10]}T09:20:00+02:00\nbarometer = "x"\njournal = "j"\ncheck = []\n',
            encoding="utf-8",
        )
    found = evidence_files(tmp_path, "HF-02", ("fuel",))
    assert set(found) == {"checks/2031-06-14_HF-02_10.toml"}
    assert read_evidence(tmp_path, "HF-02").check.at.date() == dt.date(2031, 6, 14)
